"""Sine fits by least squares, with the frequency given (three parameters) or sought as well (four).

After IEEE 1057 and IEEE 1241 †: with the frequency given the problem is linear; sought, it is
solved by Gauss and Newton's iteration, begun at the strongest tone. Time is counted from the middle of the record
inside, which keeps frequency and phase from disturbing each other. The record is read in blocks and never becomes float
as a whole.

Uncertainties are those of least squares with white residuals, which reach the Cramér–Rao bound; where harmonics or
steps of the converter dominate the residual they are only a guide.
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.angles import arctangent, cosine, cosine_and_sine_of, sine_of
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import solve
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.sine_sums import BlockedSums, SampledSums, SineSums
from wavewright.analysis.spectrum.spectrum import LONG, mean_code
from wavewright.analysis.spectrum.tones import FEW_CYCLES, FEW_SAMPLES_A_CYCLE, find_strongest
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

MOST_ROUNDS = 50
FIRST_PART = 1 << 20  # samples of its middle that the fit to a long record begins with
LONGER = 16  # times as many in the next part
SETTLED = 1e-9  # rad: change of phase at the ends of the record between two rounds
SOURCE = "IEEE 1057, sine fit by least squares †"


@dataclass(frozen=True, slots=True)
class SineFit:
    """offset + amplitude · cos(2π·frequency·time + phase), time as on the waveform's axis.

    Parameters
    ----------
    frequency : Hz. `amplitude`, `offset`, `residual_rms` : in the waveform's unit; the residual's mean square is over
        all `size` samples. `phase` : rad, −π … π.
    frequency_uncertainty and so on : standard uncertainties; that of a given frequency is 0.
    cycles : number of them in the record.
    """

    frequency: float
    amplitude: float
    phase: float
    offset: float
    residual_rms: float
    frequency_uncertainty: float
    amplitude_uncertainty: float
    phase_uncertainty: float
    offset_uncertainty: float
    cycles: float
    size: int

    @property
    def cosine(self) -> float:
        """Factor of cos 2πft, in the waveform's unit."""
        return self.amplitude * cosine(self.phase)

    @property
    def sine(self) -> float:
        """Factor of sin 2πft, in the waveform's unit."""
        return -self.amplitude * sine_of(self.phase)

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against the fit."""
        found = []
        if self.cycles < FEW_CYCLES:
            found.append(Doubt.FEW_CYCLES)
        if self.size / self.cycles < FEW_SAMPLES_A_CYCLE:
            found.append(Doubt.UNDERSAMPLED)
        if self.residual_rms > self.amplitude / math.sqrt(8):  # the residual has a quarter of the sine's power, or more
            found.append(Doubt.NOISY)
        return tuple(found)


def fit_sine(survey: Survey, *, frequency: float | None = None, start: float | None = None) -> SineFit:
    """The sine that fits best.

    Parameters
    ----------
    frequency : Hz; given, it is held, and three parameters are fitted. None: four parameters.
    start : Hz; where the search for the frequency begins. None: at the strongest tone.

    Raises
    ------
    NotMeasurable : invalid samples inside, a constant, too few samples, less than one cycle, no convergence.
    """
    return survey.once(("sine fit", frequency, start), lambda: _fit(survey, frequency, start))


@metric("sine_amplitude", reads=Reads.SPECTRUM, unit="", source=SOURCE)
def sine_amplitude(survey: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Sine amplitude: peak value of the sine that fits best; of given `frequency`, Hz, or the best one.

    Definition
    ----------
    A in A·cos(2πft + φ) + C, such that the sum of the squared residuals is smallest.
    """
    fit = fit_sine(survey, frequency=frequency)
    return Reading(fit.amplitude, survey.unit, uncertainty=fit.amplitude_uncertainty, doubts=fit.doubts)


@metric("sine_frequency", reads=Reads.SPECTRUM, unit="Hz", source=SOURCE)
def sine_frequency(survey: Survey, *, start: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Sine frequency: frequency of the sine that fits best, searched from `start`, Hz, or the strongest tone.

    Definition
    ----------
    f in A·cos(2πft + φ) + C, such that the sum of the squared residuals is smallest.
    """
    fit = fit_sine(survey, start=start)
    return Reading(fit.frequency, "Hz", uncertainty=fit.frequency_uncertainty, doubts=fit.doubts)


@metric("sine_phase", reads=(Reads.SPECTRUM, Reads.TRIGGER), unit="deg", source=SOURCE)
def sine_phase(survey: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Sine phase: phase at time 0, the trigger, of the sine that fits best; 0 deg is a crest, −180 … 180 deg.

    Definition
    ----------
    φ in A·cos(2πft + φ) + C, such that the sum of the squared residuals is smallest.
    """
    fit = fit_sine(survey, frequency=frequency)
    uncertainty = math.degrees(fit.phase_uncertainty)
    return Reading(math.degrees(fit.phase), "deg", uncertainty=uncertainty, doubts=fit.doubts)


@metric("sine_offset", reads=Reads.SPECTRUM, unit="", source=SOURCE)
def sine_offset(survey: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Sine offset: the constant under the sine that fits best; unlike the mean not affected by incomplete cycles.

    Definition
    ----------
    C in A·cos(2πft + φ) + C, such that the sum of the squared residuals is smallest.
    """
    fit = fit_sine(survey, frequency=frequency)
    return Reading(fit.offset, survey.unit, uncertainty=fit.offset_uncertainty, doubts=fit.doubts)


@metric("sine_residual", reads=Reads.SPECTRUM, unit="", source=SOURCE)
def sine_residual(survey: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Sine residual: rms of the waveform after the best-fitting sine has been subtracted.

    Definition
    ----------
    √(Σ (v − A·cos(2πft + φ) − C)² / n).
    """
    fit = fit_sine(survey, frequency=frequency)
    # the rms of n independent residuals scatters by 1/√(2n) of itself
    uncertainty = fit.residual_rms / math.sqrt(2 * fit.size)
    return Reading(fit.residual_rms, survey.unit, uncertainty=uncertainty, doubts=fit.doubts)


def _fit(survey: Survey, frequency: float | None, start: float | None) -> SineFit:
    wave = unbroken(survey, least=4 if frequency is not None else 5)
    mean = mean_code(wave.codes)
    samples: SineSums = (BlockedSums if len(wave) >= LONG else SampledSums)(wave.codes, mean)
    if frequency is None:
        begin = start if start is not None else _begin(survey, wave)
        turn = _settle(wave, samples, 2 * math.pi * begin * wave.interval)
    else:
        turn = 2 * math.pi * frequency * wave.interval
    cycles = turn * len(wave) / (2 * math.pi)
    if cycles < (1.0 if frequency is None else 1e-6) or turn >= math.pi:
        sought = turn / (2 * math.pi * wave.interval)
        raise NotMeasurable(
            f"`{survey.name}`: a sine of {sought:g} Hz, {cycles:.3g} cycles in the record",
            expected="at least one cycle, and a frequency below half the sampling rate",
            do="lengthen `span`, raise `rate`, or give the start frequency",
        )
    return _described(wave, mean, samples, turn, frequency)


def _described(wave: Waveform, mean: float, samples: SineSums, turn: float, frequency: float | None) -> SineFit:
    """The fit at a known turn, rad a sample, with its uncertainties."""
    width = 3 if frequency is not None else 4
    sums, right = samples.normal(turn, 0.0, 0.0)
    cosine, sine, constant = (float(number) for number in _solve(sums[:3, :3], right[:3], wave))
    squares = samples.residual_squares(turn, np.array([cosine, sine, constant]))
    sums, _ = samples.normal(turn, cosine, sine)
    variance = squares / max(1, len(wave) - width)
    spread = variance * solve(sums[:width, :width], np.eye(width))
    amplitude = math.hypot(cosine, sine)
    if amplitude == 0 or not math.isfinite(amplitude):
        raise NotMeasurable(f"`{wave.label}`: no sine of that frequency", expected="an amplitude above 0")
    by_amplitude = np.array([cosine, sine]) / amplitude
    by_phase = np.array([sine, -cosine]) / square(amplitude)
    half = len(wave) / 2
    turn_spread = float(spread[3, 3]) / square(half) if width == 4 else 0.0
    middle = (wave.time_of(0) + wave.time_of(len(wave) - 1)) / 2
    phase = arctangent(-sine * wave.gain, cosine * wave.gain) - turn * middle / wave.interval
    return SineFit(
        frequency=frequency if frequency is not None else turn / (2 * math.pi * wave.interval),
        amplitude=amplitude * abs(wave.gain),
        phase=_within_a_turn(phase),
        offset=wave.value_of(mean + constant),
        residual_rms=abs(wave.gain) * math.sqrt(squares / len(wave)),
        frequency_uncertainty=math.sqrt(turn_spread) / (2 * math.pi * wave.interval),
        amplitude_uncertainty=abs(wave.gain) * math.sqrt(_quadratic(spread, by_amplitude)),
        phase_uncertainty=math.sqrt(_quadratic(spread, by_phase) + turn_spread * square(middle / wave.interval)),
        offset_uncertainty=abs(wave.gain) * math.sqrt(max(0.0, float(spread[2, 2]))),
        cycles=turn * len(wave) / (2 * math.pi),
        size=len(wave),
    )


def _quadratic(spread: Floats, slopes: Floats) -> float:
    """The variance of what follows from cosine and sine with these slopes."""
    one, other = slopes.tolist()
    return float(spread[0, 0] * one * one + 2 * spread[0, 1] * one * other + spread[1, 1] * other * other)


def _within_a_turn(angle: float) -> float:
    """The same angle, rad, −π … π."""
    along, up = cosine_and_sine_of(angle)
    return arctangent(float(up), float(along))


def _begin(survey: Survey, wave: Waveform) -> float:
    """A frequency, Hz, near enough to the sine for the iteration to find it."""
    if len(wave) >= LONG:
        with suppress(NotMeasurable):  # nothing in the middle, or too slow for a part
            return _begin_of_long(wave)
    try:
        return find_strongest(survey).frequency
    except NotMeasurable:  # few samples or few cycles: try frequencies one after the other
        group = max(1, len(wave) // 4096)
        count = len(wave) // group
        means = wave.codes[: count * group].reshape(count, group).mean(axis=1, dtype=np.float64)
        means -= means.mean()
        trials = np.arange(0.5, min(4.0, count / 2), 0.125)
        left = [_residual_squares_at(means, 2 * math.pi * cycles / count) for cycles in trials]
        return float(trials[int(np.argmin(left))]) / (count * group * wave.interval)


def _begin_of_long(wave: Waveform) -> float:
    """As `_begin`, from the middle of a long record: fits to ever longer parts of it, each begun where the last ended.

    The fit is that of the whole record all the same; only its beginning costs no spectrum of it.
    """
    size, turn = FIRST_PART, 0.0
    while size < len(wave):
        first = (len(wave) - size) // 2
        part = wave.part(first, first + size)
        if not turn:
            turn = 2 * math.pi * find_strongest(Survey(part)).frequency * wave.interval
        turn = _settle(part, BlockedSums(part.codes, mean_code(part.codes)), turn)
        size *= LONGER
    return turn / (2 * math.pi * wave.interval)


def _residual_squares_at(values: Floats, turn: float) -> float:
    samples = SampledSums(values, 0.0)
    sums, right = samples.normal(turn, 0.0, 0.0)
    found: Floats = solve(sums[:3, :3], right[:3])
    return samples.residual_squares(turn, found)


def _settle(wave: Waveform, samples: SineSums, turn: float) -> float:
    """Gauss and Newton's iteration for the turn, rad a sample."""
    half = len(wave) / 2
    sums, right = samples.normal(turn, 0.0, 0.0)
    cosine, sine, _ = _solve(sums[:3, :3], right[:3], wave)
    for _ in range(MOST_ROUNDS):
        sums, right = samples.normal(turn, cosine, sine)
        cosine, sine, _, change = (float(number) for number in _solve(sums, right, wave))
        # more than a quarter turn at the ends is beyond what the linear equations can resolve
        step = max(-math.pi / 2, min(math.pi / 2, change))
        turn += step / half
        if abs(step) < SETTLED:
            return turn
        if not 0 < turn < math.pi:
            break
    raise NotMeasurable(
        f"`{wave.label}`: the sine fit did not converge on a frequency",
        expected="one sine well above the rest",
        do="check the waveform, or give the start frequency",
    )


def _solve(sums: Floats, right: Floats, wave: Waveform) -> Floats:
    found = solve(sums, right)
    if not np.isfinite(found).all():
        raise NotMeasurable(f"`{wave.label}`: the samples do not determine a sine", expected="more samples or cycles")
    return found
