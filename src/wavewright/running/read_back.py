"""What was requested of the instruments and what they are set to, kept side by side, and the differences in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from wavewright.errors import SetOtherwise
from wavewright.instruments.deviations import NOTICEABLE, deviations
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.digitizer_setup import at_the_tip
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.setups import DigitizerSetup, TimebaseSetup
from wavewright.quantities import show_quantity
from wavewright.running.outcome import Setting

SHORTEST = 0.9  # of the span that was requested; a shorter record may miss what a limit is about


@dataclass
class SettingsRecord:
    """The settings of one measurement by name, in SI units and in volts at the probe tip.

    The digitizer's stand under their own names (`input1.range`), those of a step of the stimulus under its number
    (`step1.supply.voltage`), those of the meter under the reading that they are for (`meter.rail.quantity`).

    Parameters
    ----------
    asked, used : what was requested, and what the instruments answered that they use.
    facts : what bench and profile state about each input, to be kept with every shot.
    """

    asked: dict[str, Setting] = field(default_factory=dict)
    used: dict[str, Setting] = field(default_factory=dict)
    facts: dict[str, float] = field(default_factory=dict)
    _differences: dict[str, None] = field(default_factory=dict)

    @property
    def differences(self) -> tuple[str, ...]:
        """Each of them once, however many shots it was there."""
        return tuple(self._differences)

    def note(
        self, asked: Iterable[Assignment], used: Mapping[str, Setting], profile: Profile, *, head: str = ""
    ) -> None:
        """Take in a group of settings; `head` goes before each name, with its dot."""
        group = list(asked)
        self.asked |= {head + one.name: one.value for one in group if isinstance(one.value, float | int | str | bool)}
        self.used |= {head + name: value for name, value in used.items()}
        self._differences |= {f"{head}{one}": None for one in deviations(group, used, profile)}

    @contextmanager
    def keeping(
        self, asked: Iterable[Assignment], instrument: Instrument, *, head: str
    ) -> Iterator[dict[str, Setting]]:
        """Yields a dictionary for what is read back in the block, and takes it in after it, whatever came of it."""
        used: dict[str, Setting] = {}
        try:
            yield used
        except SetOtherwise as fault:
            used |= fault.used
            raise
        finally:
            self.note(asked, used, instrument.profile, head=head)

    def say(self, line: str) -> None:
        """A difference that no single setting shows."""
        self._differences[line] = None


def configure(digitizer: Digitizer, setup: DigitizerSetup, record: SettingsRecord | None = None) -> None:
    """Set the digitizer and read back; where it rounds the time between samples, the span is kept and not the number.

    A record that became shorter than the recipe has it would miss what the recipe waits for.

    Parameters
    ----------
    record : takes in what was requested and what came of it.

    Raises
    ------
    SetOtherwise : the digitizer is set to something else than requested, in a way that may change a verdict.
    Misuse, BenchFault, Complaint, NoAnswer, BadAnswer, LinkLost
    """
    record = SettingsRecord() if record is None else record
    used = dict(digitizer.configure(setup))
    asked = _asked_at_the_tip(digitizer, setup)
    record.note(asked, used, digitizer.profile)
    timebase = setup.timebase
    interval = _interval(used, timebase)
    points = round(timebase.points * timebase.interval / interval)
    if abs(points - timebase.points) > NOTICEABLE * timebase.points:
        most = int(digitizer.profile.grammar.abilities.points or points)
        corrected = replace(timebase, interval=interval, points=min(points, most))
        used = dict(digitizer.configure(replace(setup, timebase=corrected)))
        record.used |= used
        record.say(f"timebase.points: {int(used.get('timebase.points', points))}, to keep the span")
    digitizer.check_as_requested(asked, used)
    _check_span(digitizer, setup, used)


def _interval(used: Mapping[str, Setting], wanted: TimebaseSetup) -> float:
    """The time between two samples as read back, s."""
    if "timebase.interval" in used:
        return float(used["timebase.interval"])
    if "timebase.rate" in used:
        return 1 / float(used["timebase.rate"])
    if "timebase.span" in used:
        return float(used["timebase.span"]) / max(float(used.get("timebase.points", wanted.points)) - 1, 1)
    return wanted.interval


def _asked_at_the_tip(digitizer: Digitizer, setup: DigitizerSetup) -> list[Assignment]:
    """What `configure` requested, in volts at the probe tip."""
    plain = {one.name: one.value for one in digitizer.asked if isinstance(one.value, float | int | str | bool)}
    values = at_the_tip(plain, setup)
    return [replace(one, value=values[one.name]) for one in digitizer.asked if one.name in values]


def _check_span(digitizer: Digitizer, setup: DigitizerSetup, used: Mapping[str, Setting]) -> None:
    wanted = setup.timebase
    span = _interval(used, wanted) * max(float(used.get("timebase.points", wanted.points)) - 1, 1)
    if span < SHORTEST * wanted.span:
        raise SetOtherwise(
            f"the record: requested {show_quantity(wanted.span, 's')}, set to {show_quantity(span, 's')}",
            where=digitizer.link.where,
            expected="a record that is as long as the recipe has it",
            do="request a shorter span, or fewer samples a second",
        )
