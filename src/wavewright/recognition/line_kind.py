"""What kind of signal is on one line: nothing, steady, noise, sine, clock, pulses, edge, serial or unknown.

A line is seen in several records, from short to long, since nobody knows how fast it is; what repeats itself is read
from the longest record that has enough samples per pulse, what is rare from the one that was triggered by it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from wavewright.analysis.elementary.exponentials import log, log2, square
from wavewright.analysis.front_end.front_end import FrontEnd, quiet, tone_frequency
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.tones import Tone, find_strongest
from wavewright.errors import NotMeasurable
from wavewright.recognition.edges_seen import EdgesSeen, edges_seen
from wavewright.recognition.recognised import Kind, Recognised
from wavewright.recognition.serial_line import find_serial
from wavewright.waveform import Waveform

STEADY = 0.1  # of the mean: what moves by less has a level and a ripple
# share of the power that the strongest tone has; a triangle has 98.6 % (math), and is known by its third harmonic
SINE = 0.98
THIRD_HARMONIC = 0.03  # of the amplitude; a triangle has 1/9 (math)
SAMPLES_PER_PULSE = 8
EVEN = (0.45, 0.55)  # duty factor of a clock
FEW_SAMPLES_PER_CYCLE, FEW_CYCLES = 4, 10
SURELY = 1.6  # times the highest line of noise alone: of 20,000 samples once in some million records
GAUSSIAN = (2.4, 3.6)  # kurtosis; 3 for Gaussian noise, 1.5 for a sine, 1.8 for a triangle (math)
CODES_OF_NOTHING = 3.0  # codes by which a record without a known front end may move and still show nothing


@dataclass(frozen=True, eq=False)
class LineSeen:
    """The records of one line, each examined once.

    Parameters
    ----------
    records : from short to long, each taken at some moment; at least one.
    bursts : records that the line itself triggered, the one with the best number of samples per pulse last; none where
        it does not move.
    front_end : what is known of the input.
    """

    records: Sequence[Waveform]
    bursts: Sequence[Waveform] = ()
    front_end: FrontEnd | None = None
    _surveys: dict[Waveform, Survey] = field(default_factory=dict, repr=False)

    def survey(self, wave: Waveform) -> Survey:
        """What is found out about one of the records."""
        if wave not in self._surveys:
            self._surveys[wave] = Survey(wave)
        return self._surveys[wave]

    def with_bursts(self, bursts: Sequence[Waveform]) -> LineSeen:
        """The same line with records that it triggered."""
        return LineSeen(self.records, bursts, self.front_end, self._surveys)

    @computed_once
    def extent(self) -> tuple[float, float]:
        """Lowest and highest value of all records."""
        ends = [end for wave in self.all for end in _ends(self.survey(wave))]
        return min(ends), max(ends)

    @property
    def all(self) -> tuple[Waveform, ...]:
        """Every record of it."""
        return (*self.records, *self.bursts)

    @property
    def burst(self) -> Waveform | None:
        """The best of the records that the line triggered."""
        return self.bursts[-1] if self.bursts else None


def recognise(seen: LineSeen) -> Recognised:
    """What is on the line.

    Raises
    ------
    NotMeasurable : no record has a valid sample.
    """
    still = _still(seen)
    if still is not None:
        return still
    low, high = seen.extent
    last = seen.survey(seen.records[-1])
    level = last.wave.value_of(last.record.moments.mean)
    tone = _best_tone(seen)
    if high - low <= STEADY * abs(level):
        return _with_doubts(_steady(seen, level, tone), last)
    if tone is not None and _is_sine(tone, seen):
        shown = seen.survey(tone[0])
        low, high = _ends(shown)
        found = Recognised(Kind.SINE, low=low, high=high, frequency=_refined(seen, tone), unit=shown.unit)
        return _with_doubts(found, shown)
    moving = _two_states(seen)
    if moving is not None:
        return moving
    if tone is None and _is_noise(seen):
        return _with_doubts(Recognised(Kind.NOISE, level=level, low=low, high=high), last)
    frequency = None if tone is None else tone[1].frequency
    return _with_doubts(Recognised(Kind.UNKNOWN, low=low, high=high, frequency=frequency), last)


def _ends(survey: Survey) -> tuple[float, float]:
    lowest, highest = sorted(survey.wave.value_of(code) for code in survey.extremes)
    return lowest, highest


def _still(seen: LineSeen) -> Recognised | None:
    """Nothing, or a steady level, where no record moves by more than the noise of the input."""
    survey = seen.survey(seen.records[-1])
    level = survey.wave.value_of(survey.record.moments.mean)
    low, high = seen.extent
    if seen.front_end is None or seen.front_end.noise is None:
        step = survey.record.step
        if high - low > CODES_OF_NOTHING * step:
            return None
        return Recognised(Kind.NOTHING if abs(level) <= CODES_OF_NOTHING * step else Kind.STEADY, level=level)
    found = [quiet(seen.survey(one), seen.front_end) for one in seen.all]
    if not all(one is not None and one.is_steady for one in found):
        return None
    if all(one is not None and one.is_open for one in found):
        return Recognised(Kind.NOTHING, level=level)
    tone = _best_tone(seen)
    return _with_doubts(_steady(seen, level, tone), survey)


def _steady(seen: LineSeen, level: float, tone: tuple[Waveform, Tone] | None) -> Recognised:
    """A level; with a ripple where it moves by more than noise does."""
    if tone is None:
        return Recognised(Kind.STEADY, level=level)
    low, high = _ends(seen.survey(tone[0]))
    return Recognised(Kind.STEADY, level=level, ripple=high - low, ripple_frequency=tone[1].frequency)


def _best_tone(seen: LineSeen) -> tuple[Waveform, Tone] | None:
    """The strongest tone that stands out, in the record that shows it best."""
    found: list[tuple[Waveform, Tone]] = []
    for wave in seen.records:
        survey = seen.survey(wave)
        if tone_frequency(survey) is None:
            continue
        try:
            tone = find_strongest(survey)
        except NotMeasurable:
            continue
        is_sampled = tone.frequency * wave.interval <= 1 / FEW_SAMPLES_PER_CYCLE and tone.cycles >= 3
        if is_sampled and tone.amplitude > SURELY * _line_of_noise(tone):
            found.append((wave, tone))
    confirmed = [pair for pair in found if _is_confirmed(pair, seen, found)]
    return max(confirmed, key=lambda pair: round(log2(pair[1].amplitude / _step(pair[0]))), default=None)


def _is_confirmed(pair: tuple[Waveform, Tone], seen: LineSeen, found: Sequence[tuple[Waveform, Tone]]) -> bool:
    """Whether every other record that could show the tone does so: band-limited noise has a strongest line anywhere."""
    wave, tone = pair
    others = [
        one
        for one in seen.records
        if one is not wave
        and tone.frequency * one.interval <= 1 / FEW_SAMPLES_PER_CYCLE
        and tone.frequency * one.duration >= FEW_CYCLES
    ]
    shown = {id(one): near for one, near in found}
    if others and tone.cycles < FEW_CYCLES:
        return False
    return all(
        id(one) in shown and abs(shown[id(one)].frequency - tone.frequency) <= 1 / min(one.duration, wave.duration)
        for one in others
    )


def _line_of_noise(tone: Tone) -> float:
    """The amplitude that the highest line of a spectrum of noise alone has, as a rule.

    The squares of the lines are distributed exponentially, and the highest of n/2 is ln(n/2) times their mean (math).
    """
    size, window = tone.bins.size, tone.bins.window
    return tone.noise * math.sqrt(4 * window.noise_bandwidth * log(size / 2) / size)


def _step(wave: Waveform) -> float:
    return abs(wave.gain) or 1.0


def _is_sine(best: tuple[Waveform, Tone], seen: LineSeen) -> bool:
    """Whether the tone has all the power that is not noise, and no third harmonic that a triangle would have."""
    wave, tone = best
    survey = seen.survey(wave)
    power = square(wave.gain) * survey.record.moments.variance
    left = max(power - square(tone.noise), power / 2)
    if square(tone.amplitude) / 2 < SINE * left:
        return False
    low, high = seen.extent
    if high - low > 2.6 * tone.amplitude + 12 * tone.noise:
        return False
    third = 3 * tone.frequency
    if third * wave.interval >= 0.5:
        return True
    try:
        near = find_strongest(survey, lowest=0.9 * third, highest=1.1 * third)
    except NotMeasurable:
        return True
    return near.amplitude < THIRD_HARMONIC * tone.amplitude


def _refined(seen: LineSeen, best: tuple[Waveform, Tone]) -> float:
    """The frequency from the longest record in which the same tone has enough samples per cycle."""
    found = best[1].frequency
    for wave in seen.records:
        if found * wave.interval > 1 / FEW_SAMPLES_PER_CYCLE or wave.duration < best[0].duration:
            continue
        try:
            tone = find_strongest(seen.survey(wave))
        except NotMeasurable:
            continue
        if abs(tone.frequency / found - 1) < 0.01:
            found = tone.frequency
    return found


def _two_states(seen: LineSeen) -> Recognised | None:
    """Clock, pulses, edge or serial; None where the line has no two states."""
    extent = seen.extent
    known = [one for wave in seen.all if (one := edges_seen(seen.survey(wave), extent)) is not None and one.count]
    sampled = [one for one in known if (one.shortest or np.inf) >= SAMPLES_PER_PULSE * one.wave.interval]
    if not sampled:
        return None
    # a train of pulses in a coarse record may be a train of bursts in a fine one
    finest = min(one.shortest or np.inf for one in sampled)
    steady = [one for one in sampled if one.period is not None and one.has_states and (one.shortest or 0) < 2 * finest]
    if steady:
        best = max(steady, key=lambda one: one.wave.duration)
        if best.widths_alike or best.rising.size < 8:
            return _repeating(best, seen)
    best = max(sampled, key=lambda one: (one.wave is seen.burst, one.count))
    if not best.has_states and not _is_mostly_idle(best):
        return None
    if max(one.count for one in known) == 1:
        return _edge(best, seen)
    serial = find_serial(best.wave)
    base = Recognised(
        Kind.PULSES, low=best.low, high=best.high, pulse=best.shortest, unit=best.wave.unit, serial=serial
    )
    return _with_doubts(base if serial is None else replace(base, kind=Kind.SERIAL), seen.survey(best.wave))


def _repeating(best: EdgesSeen, seen: LineSeen) -> Recognised:
    period, duty = best.period, best.duty_factor
    assert period is not None
    is_even = duty is not None and EVEN[0] <= duty <= EVEN[1]
    found = Recognised(
        Kind.CLOCK if is_even else Kind.PULSES,
        low=best.low,
        high=best.high,
        frequency=1 / period,
        duty_factor=duty,
        pulse=best.shortest,
        unit=best.wave.unit,
    )
    return _with_doubts(found, seen.survey(best.wave))


def _edge(best: EdgesSeen, seen: LineSeen) -> Recognised:
    return _with_doubts(
        Recognised(Kind.EDGE, low=best.low, high=best.high, unit=best.wave.unit), seen.survey(best.wave)
    )


def _is_mostly_idle(best: EdgesSeen) -> bool:
    """A record of few edges with slow flanks has few samples between its states, whatever it does meanwhile."""
    return best.count <= 4


def _is_noise(seen: LineSeen) -> bool:
    """Gaussian, as far as its fourth moment says."""
    histogram = seen.survey(seen.records[-1]).histogram
    codes, counts = histogram.codes, histogram.counts.astype(np.float64)
    mean = float(np.average(codes, weights=counts))
    second = float(np.average(square(codes - mean), weights=counts))
    fourth = float(np.average(square(square(codes - mean)), weights=counts))
    return bool(second) and GAUSSIAN[0] <= fourth / square(second) <= GAUSSIAN[1]


def _with_doubts(found: Recognised, survey: Survey) -> Recognised:
    """With what the samples themselves say against it; that a steady line shows few codes says nothing against it."""
    doubts = [doubt for doubt in survey.doubts if found.kind is not Kind.STEADY or doubt is not Doubt.FEW_CODES]
    return replace(found, doubts=tuple(str(doubt) for doubt in doubts))
