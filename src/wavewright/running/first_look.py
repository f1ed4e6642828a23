"""A first look at inputs of which nothing is known: range, time base and level found, records from short to long taken.

No output is touched: the bench is in its known state, with all outputs off, and stays so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from wavewright.analysis.front_end.front_end import FrontEnd, quiet
from wavewright.analysis.record.survey import Survey
from wavewright.errors import NoTrigger
from wavewright.instruments.bench import Bench
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.recipe.acquisition import Channel
from wavewright.recognition.edges_seen import edges_seen
from wavewright.recognition.line_groups import find_groups, with_groups
from wavewright.recognition.line_kind import LineSeen, recognise
from wavewright.recognition.recognised import TWO_STATES, Kind, Recognised, Together
from wavewright.running.automatic_settings import (
    AT_ONCE,
    MOST_SHOTS,
    SHORTEST,
    WIDEST,
    RangeSearch,
    as_read_back,
    extent,
    fastest_interval,
    record_of,
)
from wavewright.running.input_facts import front_end_of, input_facts, input_path
from wavewright.waveform import Capture, Waveform

BURST_POINTS = 1_000_000
OVERVIEW = 0.1  # s
SAMPLES_PER_PULSE = 12.0
BEFORE = 0.02  # of the record, before the trigger of a burst
HYSTERESIS = 0.2  # of the extent
FIRST_INTERVAL = 50e-9  # s, of the first look at a line that moves rarely
LONGEST_BURST = 0.5  # of the patience
MOST_BURSTS, MOST_WIDENINGS = 4, 4
SHOWN_PERIODS, SHOWN_PULSES = 6.0, 60.0
GROWTH = 8.0  # from one record to the next; each is also what the kind of the line is read from
SEARCH_POINTS = 50_000
FINE = 2.0  # time between samples, in reciprocals of the bandwidth, at which no faster train can hide


@dataclass(frozen=True, slots=True, eq=False)
class InputLook:
    """What was seen at one input: what is there, the record that shows it best, and how it was taken.

    Parameters
    ----------
    fastest : the shortest time between samples that the instrument offers, s; 0 if not known.
    rests_high : the line is above its middle most of the time.
    """

    input: int
    name: str
    found: Recognised
    wave: Waveform
    setup: InputSetup
    trigger_level: float | None = None
    fastest: float = 0.0
    rests_high: bool = False

    @property
    def settings(self) -> dict[str, float]:
        """As used, in SI units."""
        return {
            "range": self.setup.range,
            "offset": self.setup.offset,
            "interval": self.wave.interval,
            "points": len(self.wave),
            **({} if self.trigger_level is None else {"trigger_level": self.trigger_level}),
        }


@dataclass(frozen=True, slots=True, eq=False)
class FirstLook:
    """What was seen at all inputs; `together` : the buses of several of them, by the names of the inputs' channels."""

    inputs: tuple[InputLook, ...]
    together: tuple[Together, ...] = ()


def first_look(
    bench: Bench,
    inputs: Sequence[int],
    *,
    name: str = "",
    patience: float = 5.0,
    step: Callable[[str], None] = lambda text: None,
) -> FirstLook:
    """Look at some inputs of a bench whose instruments are in their known state.

    Parameters
    ----------
    name : of the digitizer; the bench's only one if left out.
    patience : longest record, and longest wait for something to happen, s.

    Raises
    ------
    Complaint, BadAnswer, NoAnswer, LinkLost
    """
    digitizer = bench[name] if name else bench.digitizer
    assert isinstance(digitizer, Digitizer)
    return _Look(bench, digitizer, inputs, patience, step).run()


class _Look:
    """State of one look: the inputs as they are set, and the records so far."""

    def __init__(
        self,
        bench: Bench,
        digitizer: Digitizer,
        inputs: Sequence[int],
        patience: float,
        step: Callable[[str], None],
    ) -> None:
        self._bench, self._digitizer, self._patience, self._step = bench, digitizer, patience, step
        abilities = self._digitizer.profile.grammar.abilities
        self._offered = abilities.ranges
        self._fastest = fastest_interval(abilities)
        self._most = int(min(BURST_POINTS, abilities.points or BURST_POINTS))
        self._setups = {
            f"input{number}": InputSetup(number, WIDEST, attenuation=bench.file.probe(number).attenuation)
            for number in inputs
        }

    def run(self) -> FirstLook:
        """Ranges, then records from short to long, then what each line does by itself."""
        self._step("finding the range")
        self._find_ranges(min(OVERVIEW, self._patience), begin=False)
        self._step("looking for what comes rarely")
        long = self._find_ranges(self._patience / 2, begin=True)
        self._step("from short records to long ones")
        ladder = self._unclipped_ladder(long)
        seen: dict[str, LineSeen] = {}
        bursts: dict[str, list[Capture]] = {}
        for name in tuple(self._setups):
            seen[name] = LineSeen([one[name] for one in ladder], front_end=self._front_end(name, long))
            if self._moves_by_itself(seen[name]):
                self._step(f"waiting for an edge on {name}")
                bursts[name] = self._bursts(name, seen[name].extent)
                seen[name] = seen[name].with_bursts([one[name] for one in bursts[name]])
        self._step("recognising")
        found = {name: recognise(one) for name, one in seen.items()}
        together = self._together(found, bursts)
        found = with_groups(found, together)
        return FirstLook(tuple(self._shown(name, found[name], seen[name]) for name in self._setups), tuple(together))

    def _find_ranges(self, span: float, *, begin: bool) -> Capture:
        searches = {name: RangeSearch(one, ranges=self._offered, begin=begin) for name, one in self._setups.items()}
        points = self._most if begin else SEARCH_POINTS
        timebase = TimebaseSetup(points=points, interval=max(span / points, self._fastest))
        for _ in range(MOST_SHOTS):
            self._setups = {name: search.setting for name, search in searches.items()}
            capture = self._record(timebase)
            for name, search in searches.items():
                if not search.is_done:
                    search.see(extent(capture[name]), as_read_back(self._setups[name], self._digitizer.settings))
            if all(search.is_done for search in searches.values()):
                break
        self._setups = {name: search.setting for name, search in searches.items()}
        return capture

    def _unclipped_ladder(self, long: Capture) -> list[Capture]:
        """Records from short to long; what a faster record shows to be cut off gets a wider range, and all is repeated.

        A long record may have stepped over every pulse.
        """
        for _ in range(MOST_WIDENINGS):
            ladder = [*self._ladder(self._patience / 16), long]
            cut = [name for name in self._setups if any(extent(one[name]).is_clipped for one in ladder)]
            if not any(self._widen(name, ladder) for name in cut):
                break
        return ladder

    def _widen(self, name: str, captures: Sequence[Capture]) -> bool:
        """The next range for an input whose records are cut off; False where there is none that helps."""
        search = RangeSearch(self._setups[name], ranges=self._offered, begin=True)
        cut = next(one for one in captures if extent(one[name]).is_clipped)
        search.see(extent(cut[name]), self._setups[name])
        is_other = search.setting != self._setups[name]
        self._setups = {**self._setups, name: search.setting}
        return is_other

    def _ladder(self, longest: float) -> list[Capture]:
        span, found = max(SHORTEST, 1000 * self._fastest), []
        while span <= longest:
            found.append(self._record(record_of(span, points=SEARCH_POINTS, fastest=self._fastest)))
            span *= GROWTH
        return found

    def _moves_by_itself(self, line: LineSeen) -> bool:
        """Whether there is something to wait for: not where it is still, or repeats itself at once."""
        stills = (quiet(line.survey(wave), line.front_end) for wave in line.records)
        if all(still is not None and still.is_steady for still in stills):
            return False
        low, high = line.extent
        if high - low <= 0.1 * abs((high + low) / 2):
            return False
        short = [wave for wave in line.records if wave.interval <= FINE / self._bandwidth(line.front_end)]
        seen = [one for wave in short if (one := edges_seen(line.survey(wave), line.extent)) is not None]
        return not any(one.period is not None and (one.widths_alike or not one.has_states) for one in seen)

    def _bandwidth(self, front_end: FrontEnd | None) -> float:
        known = None if front_end is None else front_end.bandwidth
        return known if known is not None and math.isfinite(known) else 0.4 / self._fastest if self._fastest else 100e6

    def _bursts(self, name: str, ends: tuple[float, float]) -> list[Capture]:
        """Records that begin with the line's own edge, until one has enough samples per pulse."""
        interval, found, widenings = max(FIRST_INTERVAL, self._fastest), list[Capture](), 0
        longest = LONGEST_BURST * self._patience / self._most
        while len(found) < MOST_BURSTS:
            capture = self._triggered(name, ends, interval)
            if capture is None:
                break
            if extent(capture[name]).is_clipped and widenings < MOST_WIDENINGS and self._widen(name, [capture]):
                widenings += 1
                continue
            found.append(capture)
            one = edges_seen(Survey(capture[name]))
            shortest = None if one is None else one.shortest
            wanted = interval * GROWTH if shortest is None else max(shortest / SAMPLES_PER_PULSE, self._fastest)
            if 0.6 <= min(wanted, longest) / interval <= 1.7:
                break
            interval = min(wanted, longest)
        return found

    def _triggered(self, name: str, ends: tuple[float, float], interval: float) -> Capture | None:
        low, high = ends
        trigger = TriggerSetup(
            mode="normal",
            on=name,
            level=(low + high) / 2,
            hysteresis=HYSTERESIS * (high - low),
            timeout=self._patience,
        )
        timebase = TimebaseSetup(self._most, interval, before_trigger=BEFORE * self._most * interval)
        try:
            return self._record(timebase, trigger)
        except NoTrigger:
            return None

    def _record(self, timebase: TimebaseSetup, trigger: TriggerSetup = AT_ONCE) -> Capture:
        self._digitizer.configure(DigitizerSetup(self._setups, timebase, trigger))
        return self._digitizer.acquire()

    def _front_end(self, name: str, capture: Capture) -> FrontEnd | None:
        one = self._setups[name]
        profile, used = self._digitizer.profile, capture.settings
        channel = Channel.model_construct(input=one.input)
        path = input_path(channel, self._bench.file, profile, attenuation=one.attenuation, settings=used)
        facts = input_facts(path, used, {})
        return front_end_of(facts, one.input)

    def _together(self, found: Mapping[str, Recognised], bursts: Mapping[str, Sequence[Capture]]) -> list[Together]:
        """The groups in the records of the lines that move, each record looked at once."""
        moving = [name for name, one in found.items() if one.kind in TWO_STATES or one.kind is Kind.UNKNOWN]
        groups: list[Together] = []
        for name, captures in bursts.items():
            taken = {line for one in groups for line in one.lines.values()}
            left = {line: captures[-1][line] for line in moving if captures and line not in taken}
            if name in left and len(left) > 1:
                groups += find_groups(left, found)
        return groups

    def _shown(self, name: str, found: Recognised, seen: LineSeen) -> InputLook:
        wave = shown_record(found, seen)
        one = self._setups[name]
        level = found.middle if found.kind in TWO_STATES or found.kind is Kind.SINE else None
        return InputLook(one.input, name, found, wave, one, level, self._fastest, rests_high=_rests_high(seen, level))


def shown_record(found: Recognised, seen: LineSeen) -> Waveform:
    """What shows a line best: some periods of what repeats itself, the first exchange of a bus, the longest record."""
    frequency = found.frequency or found.ripple_frequency
    if frequency:
        fitting = [one for one in seen.records if one.duration * frequency >= 4 and frequency * one.interval <= 1 / 8]
        if fitting:
            return _part(fitting[0], 0.0, SHOWN_PERIODS / frequency)
    burst = seen.burst
    if burst is None:
        return seen.records[-1]
    edges = edges_seen(seen.survey(burst), seen.extent)
    span = found.serial.span if found.serial is not None else 0.0
    if edges is None or not edges.count:
        return burst
    first = min(float(times[0]) for times in (edges.rising, edges.falling) if times.size)
    if not span and edges.shortest is not None:
        span = SHOWN_PULSES * edges.shortest
    return _part(burst, first - burst.start - 0.05 * span, 1.15 * span)


def _rests_high(seen: LineSeen, level: float | None) -> bool:
    """Whether more samples of the longest record are above a level than below it."""
    if level is None:
        return False
    wave = max(seen.all, key=lambda one: one.duration)
    histogram = seen.survey(wave).histogram
    above = histogram.counts[wave.offset + wave.gain * histogram.codes > level].sum()
    return bool(2 * above > histogram.total)


def _part(wave: Waveform, begin: float, span: float) -> Waveform:
    """A part of a record: from this many seconds after its first sample, so long."""
    first = max(0, int(begin / wave.interval))
    return wave.part(first, min(len(wave), first + max(2, math.ceil(span / wave.interval))))
