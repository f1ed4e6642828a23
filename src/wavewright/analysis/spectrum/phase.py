"""Phase and gain between two channels at their common frequency, by sine fits.

Whatever the waveforms look like, it is their sines of that frequency that are compared, over whole cycles; the
residuals are left aside.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log
from wavewright.analysis.expressions.dimensions import quotient
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.alignment import require_shared_time
from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.decibels import amplitude_ratio_db
from wavewright.analysis.spectrum.sine_fit import SineFit, fit_sine
from wavewright.errors import NotMeasurable

SOURCE = "IEEE 1057, sine fits by least squares †"
LEAST_SIGNIFICANT = 3.0  # an amplitude below this many of its uncertainties has no phase


def common_sines(first: Survey, second: Survey, *, frequency: float | None = None) -> tuple[SineFit, SineFit]:
    """The sines of one frequency in both channels, their phases at the first sample of the first.

    Parameters
    ----------
    frequency : Hz; None: that of the sine that fits the first channel best.

    Raises
    ------
    NotMeasurable : no time in common, no sine, or its amplitude in one of them is not above its uncertainty.
    """
    require_shared_time(first, second)
    if frequency is None:
        frequency = fit_sine(first).frequency
    origin = first.wave.start
    trimmed = _whole_cycles(first, frequency, origin), _whole_cycles(second, frequency, origin)
    fits = fit_sine(trimmed[0], frequency=frequency), fit_sine(trimmed[1], frequency=frequency)
    for survey, fit in zip((first, second), fits, strict=True):
        if fit.amplitude <= LEAST_SIGNIFICANT * fit.amplitude_uncertainty:
            raise NotMeasurable(
                f"`{survey.name}`: {fit.amplitude:.3g} {survey.unit} at {frequency:.6g} Hz, uncertain by "
                f"{fit.amplitude_uncertainty:.3g} {survey.unit}",
                expected="a sine well above the noise",
                do="check that both channels hold that frequency, or lengthen `span`",
            )
    return fits


def _whole_cycles(survey: Survey, frequency: float, origin: float) -> Survey:
    """The channel without its last, broken cycle, in which harmonics would pass for a part of the fundamental.

    Its time axis begins at `origin`: far from 0 a phase would have the rounding of the instants in it.
    """
    wave = unbroken(survey, least=4)
    step = frequency * wave.interval
    size = round(math.floor(len(wave) * step + 1e-6) / step) if step > 0 else 0
    part = wave.part(0, size) if 4 <= size < len(wave) else wave
    moved = replace(part, start=part.start - origin)
    return survey.once(("whole cycles", frequency, origin), lambda: Survey(moved))


def sine_doubts(fits: tuple[SineFit, SineFit]) -> tuple[Doubt, ...]:
    """What speaks against either of two fits, none twice."""
    return tuple(dict.fromkeys(doubt for fit in fits for doubt in fit.doubts))


@metric("phase", reads=Reads.SPECTRUM, unit="deg", source=SOURCE, channels=2)
def phase(first: Survey, second: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Phase of the second channel against the first, −180 … 180 deg; negative where the second lags.

    Definition
    ----------
    φ2 − φ1 of the sines that fit the channels best, between −180 and 180 deg.

    Parameters
    ----------
    frequency : Hz; None: that of the sine that fits the first channel best.
    """
    fits = common_sines(first, second, frequency=frequency)
    difference = math.remainder(fits[1].phase - fits[0].phase, 2 * math.pi)
    # the frequency is the same in both, so only the scatter at the middle of each record counts
    relative = (fit.amplitude_uncertainty / fit.amplitude for fit in fits)
    return Reading(
        math.degrees(difference), "deg", uncertainty=math.degrees(math.hypot(*relative)), doubts=sine_doubts(fits)
    )


@metric("phase_delay", reads=Reads.SPECTRUM, unit="s", source=SOURCE, channels=2)
def phase_delay(first: Survey, second: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Phase delay: by how much the second channel's sine is later, within half a period; `frequency` as for `phase`.

    Definition
    ----------
    (φ1 − φ2) / (2πf).
    """
    fits = common_sines(first, second, frequency=frequency)
    turn = 2 * math.pi * fits[0].frequency
    difference = math.remainder(fits[0].phase - fits[1].phase, 2 * math.pi)
    relative = (fit.amplitude_uncertainty / fit.amplitude for fit in fits)
    return Reading(difference / turn, "s", uncertainty=math.hypot(*relative) / turn, doubts=sine_doubts(fits))


@metric("gain", reads=Reads.SPECTRUM, unit="1", source=SOURCE, channels=2)
def gain(first: Survey, second: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Gain: amplitude of the second channel's sine over that of the first; `frequency` as for `phase`.

    Definition
    ----------
    A2 / A1 of the sines that fit the channels best.

    Returns
    -------
    Reading, a ratio; where the channels have different units, in unit of the second per unit of the first.
    """
    fits = common_sines(first, second, frequency=frequency)
    ratio = fits[1].amplitude / fits[0].amplitude
    unit = quotient(second.unit, first.unit)
    return Reading(ratio, unit, uncertainty=ratio * _relative(fits), doubts=sine_doubts(fits))


@metric("gain_db", reads=Reads.SPECTRUM, unit="dB", source=SOURCE, channels=2)
def gain_db(first: Survey, second: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Gain in dB: 20·log10 of the ratio of the amplitudes, second over first; `frequency` as for `phase`.

    Definition
    ----------
    20·log10(A2 / A1).
    """
    fits = common_sines(first, second, frequency=frequency)
    uncertainty_db = 20 / log(10) * _relative(fits)
    ratio_db = amplitude_ratio_db(fits[1].amplitude / fits[0].amplitude)
    return Reading(ratio_db, "dB", uncertainty=uncertainty_db, doubts=sine_doubts(fits))


def _relative(fits: tuple[SineFit, SineFit]) -> float:
    return math.hypot(*(fit.amplitude_uncertainty / fit.amplitude for fit in fits))
