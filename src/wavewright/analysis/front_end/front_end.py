"""The way from the probe's tip to the converter: what it lets pass, and what it shows with nothing connected."""

from __future__ import annotations

import math
from dataclasses import dataclass

from wavewright.analysis.fitting.first_order import RISE_FACTOR
from wavewright.analysis.front_end.probe_loading import Probe, ProbedNode, expected_loading
from wavewright.analysis.reading import Doubt
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.tones import find_strongest, tone_doubts
from wavewright.errors import NotMeasurable

FEWEST_PERIODS = 3
STEADY = 0.05  # scatter of the periods over the period, below which a signal is taken as periodic
ALIKE = 0.1  # relative; two looks that differ by less have seen the same frequency
PEAK_OF_NOISE = (
    12.0  # peak to peak of Gaussian noise over its standard deviation; 1 sample in 1.7 million is beyond (math)
)


@dataclass(frozen=True, slots=True)
class Look:
    """Records at another rate: time between samples, s, and the highest frequencies seen, Hz, of edges and of tones."""

    interval: float
    edges: float | None = None
    tone: float | None = None


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """What is known about the way of a waveform into its codes; None: not known.

    Parameters
    ----------
    bandwidth : Hz; of probe, input and band limit the lowest; infinite where nothing is stated.
    offset, noise : the largest mean, and the rms, that the input shows with nothing connected, in the waveform's unit.
    look : at the same signal, at another rate.
    input : its number; two waveforms of one input have no skew between them.
    rise_time : s, of the step response of probe, input and band limit together; `bandwidths` says what they are.
    group_delay : s, of the three together, at low frequencies.
    ac_corner : Hz, of the ac coupling; None where the input is coupled otherwise, or the corner is not known.
    skew : s, the largest delay against any other input; trigger_jitter : s, rms.
    is_skew_corrected : by a correction for the band limit that is set, so that what that delays is in it.
    source, probe : the point that is touched, and the tip that touches it.
    lead_ringing : Hz, at which the ground lead rings with the capacitance of the tip.
    stated : doubts that the bench itself raises, each with what is stated.
    """

    bandwidth: float | None = None
    offset: float | None = None
    noise: float | None = None
    look: Look | None = None
    input: int | None = None
    rise_time: float | None = None
    group_delay: float | None = None
    bandwidths: str = ""
    ac_corner: float | None = None
    skew: float | None = None
    is_skew_corrected: bool = False
    trigger_jitter: float | None = None
    source: ProbedNode | None = None
    probe: Probe | None = None
    lead_ringing: float | None = None
    stated: tuple[tuple[Doubt, str], ...] = ()

    @property
    def edge(self) -> float:
        """10 to 90 % of what a step at the source looks like, s: root sum of squares of the set-up and of its loading.

        0 where neither is known.
        """
        return math.hypot(self.rise_time or 0.0, self.loading_edge)

    @property
    def delay(self) -> float | None:
        """By how much the set-up and its loading delay the edges of a signal, s; None where that is not known."""
        return None if self.group_delay is None else self.group_delay + self.loading_edge / RISE_FACTOR

    @property
    def loading_edge(self) -> float:
        """10 to 90 % of a step that the tip's capacitance makes at the source, s; 0 where one of them is not known."""
        if self.source is None or self.probe is None:
            return 0.0
        return expected_loading(self.probe, self.source).rise_time


@dataclass(frozen=True, slots=True)
class Quiet:
    """How little a record shows: whether it moves by no more than noise, and stays where an open input would."""

    is_steady: bool
    is_open: bool
    moves: float
    floor: float
    mean: float


def quiet(survey: Survey, front_end: FrontEnd | None) -> Quiet | None:
    """What the record shows beside what an open input shows; None where the noise of the input is not known."""
    if front_end is None or front_end.noise is None or not survey.record.codes.size:
        return None
    lowest, highest = (survey.wave.value_of(code) for code in survey.extremes)
    step = survey.record.step
    floor = step + PEAK_OF_NOISE * front_end.noise
    mean = survey.wave.value_of(survey.record.moments.mean)
    is_steady = abs(highest - lowest) <= floor
    is_low = abs(mean) <= (front_end.offset or 0.0) + step + front_end.noise
    return Quiet(is_steady, is_steady and is_low, abs(highest - lowest), floor, mean)


def repeating_frequency(survey: Survey) -> float | None:
    """Frequency of a signal whose edges repeat steadily through the whole record; None where they do not.

    What begins or ends within the record, and what has fewer than 3 periods, is not a signal that repeats itself.
    """
    found: float | None = survey.once("repeating frequency", lambda: _repeating_frequency(survey))
    return found


def _repeating_frequency(survey: Survey) -> float | None:
    try:
        level = (survey.levels.low + survey.levels.high) / 2
        places = survey.crossings(level).rising_places
    except NotMeasurable:
        return None
    if places.size <= FEWEST_PERIODS:
        return None
    periods = places[1:] - places[:-1]
    mean = float(periods.mean())
    if float(periods.std()) > STEADY * mean + 1.0:  # of few samples per period, each is off by up to one
        return None
    if places[0] > 1.5 * mean or places[-1] < len(survey) - 1 - 1.5 * mean:
        return None
    return 1 / (mean * survey.wave.interval)


def tone_frequency(survey: Survey) -> float | None:
    """Frequency of the strongest tone; None where there is none that stands out of the noise."""

    def find() -> float | None:
        try:
            tone = find_strongest(survey)
        except NotMeasurable:
            return None
        return None if Doubt.NOISY in tone_doubts(tone) else tone.frequency

    found: float | None = survey.once("tone that stands out", find)
    return found


def may_alias(survey: Survey, front_end: FrontEnd | None) -> bool:
    """Whether frequencies above half the rate reach the converter."""
    if front_end is None or front_end.bandwidth is None:
        return False
    return front_end.bandwidth > 0.5 / survey.wave.interval


def is_confirmed(frequency: float | None, seen: float | None, survey: Survey, front_end: FrontEnd) -> bool:
    """Whether the look at the highest rate speaks for a frequency, Hz, that is seen in a record.

    A look that nothing above half of its own rate can reach has seen whatever is faster than half the record's rate.
    One that is not as fast must have seen the same frequency.
    """
    look = front_end.look
    if frequency is None or look is None:
        return False
    if front_end.bandwidth is not None and front_end.bandwidth <= 0.5 / look.interval:
        return seen is None or seen <= 0.5 / survey.wave.interval
    return seen is not None and abs(frequency - seen) <= ALIKE * max(frequency, seen) + 1 / survey.wave.duration
