"""Automatic settings on the bench: range, time base and trigger level of a measurement, found with trial shots."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from wavewright.errors import NotMeasurable
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.profile_grammar import Abilities
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.quantities import show_quantity
from wavewright.running.auto_range import MOST_SHOTS, Extent, RangeSearch, extent
from wavewright.running.auto_timebase import OVERVIEW, PeriodSearch, describe, record_of_cycles
from wavewright.running.read_back import configure
from wavewright.running.wanted import Wanted
from wavewright.waveform import Capture

AT_ONCE = TriggerSetup(mode="auto", on="")


@dataclass(frozen=True, slots=True)
class Found:
    """The setup with everything automatic filled in, and what the operator should know about it."""

    setup: DigitizerSetup
    remarks: tuple[str, ...]


def find_settings(goal: Wanted, digitizer: Digitizer, *, step: Callable[[str], None] = lambda text: None) -> Found:
    """Fill in what a measurement leaves open. The signals must be there: the stimulus has been applied.

    The range is found first, with a record long enough to show all of the signal; then the period; then the range
    again, because the final record may show peaks that the first one stepped over; then the level in its middle.

    Raises
    ------
    NotMeasurable : a time base in cycles, and no period is found.
    Complaint, BadAnswer, NoAnswer, LinkLost
    """
    search = _Search(goal, digitizer, step)
    return search.run()


class _Search:
    """State of one search: the setup so far, and the extent of each channel."""

    def __init__(self, goal: Wanted, digitizer: Digitizer, step: Callable[[str], None]) -> None:
        self._goal, self._digitizer, self._step = goal, digitizer, step
        self._abilities: Abilities = digitizer.profile.grammar.abilities
        timebase = OVERVIEW if goal.cycles else goal.setup.timebase
        self._setup = replace(goal.setup, timebase=self._within_rate(timebase), trigger=AT_ONCE)
        self._seen: dict[str, Extent] = {}
        self._remarks: dict[str, str] = {}

    def run(self) -> Found:
        self._ranges(begin=False)
        if self._goal.cycles:
            self._period(self._goal.cycles)
            self._ranges(begin=True)
        trigger = self._goal.setup.trigger
        if self._goal.auto_level:
            level = self._seen[trigger.on].middle
            trigger = replace(trigger, level=level)
            self._remarks["level"] = f"auto level: {show_quantity(level, 'V')} on {trigger.on}"
        return Found(replace(self._setup, trigger=trigger), tuple(self._remarks.values()))

    def _ranges(self, *, begin: bool) -> None:
        """Find the automatic ranges; even with none, one shot shows the extent of each channel."""
        ranges = {
            name: RangeSearch(self._setup.inputs[name], ranges=self._abilities.ranges, begin=begin)
            for name in self._goal.auto_ranges
        }
        self._step("finding the range" if ranges else "looking at the signal")
        for _ in range(MOST_SHOTS if ranges else 1):
            self._use({name: search.setting for name, search in ranges.items()})
            capture = self._shot()
            self._seen = {name: extent(wave) for name, wave in capture.waveforms.items()}
            for name, search in ranges.items():
                search.see(self._seen[name], self._used(name))
            if all(search.is_done for search in ranges.values()):
                break
        self._use({name: search.setting for name, search in ranges.items()})
        self._remarks |= {name: f"{name}: {search.remark}" for name, search in ranges.items()}

    def _period(self, cycles: int) -> None:
        on = self._goal.setup.trigger.on or next(iter(self._setup.inputs))
        fastest = 1 / self._abilities.rate if self._abilities.rate else 0.0
        self._step(f"finding the period of {on}")
        search = PeriodSearch(self._seen[on], fastest=fastest)
        while not search.is_done:
            self._setup = replace(self._setup, timebase=search.setting)
            search.see(self._shot()[on])
        if search.period is None:
            raise NotMeasurable(
                f"no period of `{on}` was found: it moves between {show_quantity(self._seen[on].lowest, 'V')} "
                f"and {show_quantity(self._seen[on].highest, 'V')}",
                expected=f"a periodic signal, for a record of {cycles} cycles",
                do="see that the signal is there, or give the time base a `span`",
            )
        points = int(self._abilities.points or 0)
        timebase = record_of_cycles(search.period, cycles, fastest=fastest, most_points=points)
        self._setup = replace(self._setup, timebase=timebase)
        self._remarks["timebase"] = describe(search.period, timebase)

    def _shot(self) -> Capture:
        configure(self._digitizer, self._setup)
        return self._digitizer.acquire()

    def _use(self, inputs: Mapping[str, InputSetup]) -> None:
        self._setup = replace(self._setup, inputs={**self._setup.inputs, **inputs})

    def _used(self, name: str) -> InputSetup:
        """The input as the instrument read it back."""
        one, settings = self._setup.inputs[name], self._digitizer.settings
        head = f"input{one.input}."
        return replace(
            one,
            range=float(settings.get(f"{head}range", one.range)),
            offset=float(settings.get(f"{head}offset", one.offset)),
        )

    def _within_rate(self, timebase: TimebaseSetup) -> TimebaseSetup:
        fastest = 1 / self._abilities.rate if self._abilities.rate else 0.0
        return replace(timebase, interval=max(timebase.interval, fastest))
