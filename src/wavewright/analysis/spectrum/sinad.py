"""SINAD and effective bits: a sine against all that is left of the record when the best sine is taken away.

Definitions of IEEE 1241-2000, equations 93 and 94 (SINAD) and 102 (effective bits) †.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log, log2
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.decibels import amplitude_ratio_db
from wavewright.analysis.spectrum.sine_fit import SineFit, fit_sine
from wavewright.errors import NotMeasurable

SOURCE = "IEEE 1241-2000, eq. 93 and 94 †"


@metric("sinad", reads=Reads.SPECTRUM, unit="dB", source=SOURCE)
def sinad(survey: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Signal to noise and distortion: rms of the best sine over rms of all else but the constant, in dB.

    Definition
    ----------
    20·log10(A / √2 / r), A the amplitude of the best sine, r the rms of what it leaves.

    Of a record of 2²⁵ samples or more the sums of the fit are added up block by block, in less than a byte per sample.
    The estimate is the same, the sine that fits all samples best, and nothing is averaged over parts of the record, so
    that the budget has no contribution for it. The value agrees with the one found sample by sample to eleven digits.

    Parameters
    ----------
    frequency : Hz, where it is known; None: fitted as well.
    """
    fit = _fit_with_residual(survey, frequency)
    return Reading(
        amplitude_ratio_db(fit.amplitude / math.sqrt(2) / fit.residual_rms),
        "dB",
        uncertainty=20 / log(10) * _relative(fit),
        doubts=fit.doubts,
    )


@metric(
    "enob",
    reads=Reads.SPECTRUM,
    unit="bit",
    source="IEEE 1241-2000, eq. 102 †; `sine`: common practice",
)
def enob(
    survey: Survey,
    *,
    referred_to: Literal["full_scale", "sine"] = "full_scale",
    full_scale: Annotated[float, "V", POSITIVE] | None = None,
    frequency: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Effective number of bits: of the ideal converter that would leave as large a residual.

    Definition
    ----------
    log2(range / (r · √12)), r the rms of what the best sine leaves; q/√12 is what an ideal converter of step q
    leaves.

    The range is that of the converter. With `referred_to: sine` it is the sine's own, which is less by
    log2(converter's range / sine's peak to peak); (SINAD − 1.7609 dB) / 6.0206 dB is that. Recipes written before
    `full_scale` was the default, and that do not say, meant `sine`.

    Parameters
    ----------
    referred_to : `full_scale`: the range is that of the converter. `sine`: the sine's, peak to peak, as if it filled
        the converter's.
    full_scale : V, peak to peak; None: from the converter's lowest and highest code, where these are known.
    frequency : Hz, where it is known; None: fitted as well.
    """
    fit = _fit_with_residual(survey, frequency)
    span = 2 * fit.amplitude if referred_to == "sine" else full_scale or _converter_range(survey)
    bits = log2(span / (fit.residual_rms * math.sqrt(12)))
    return Reading(bits, "bit", uncertainty=_relative(fit) / log(2), doubts=fit.doubts)


def _fit_with_residual(survey: Survey, frequency: float | None) -> SineFit:
    fit = fit_sine(survey, frequency=frequency)
    if fit.residual_rms <= 0:
        raise NotMeasurable(f"`{survey.name}`: the sine leaves no residual", expected="noise of at least the converter")
    return fit


def _relative(fit: SineFit) -> float:
    """Relative standard uncertainty of amplitude over residual; an rms of n residuals scatters by 1/√(2n)."""
    return math.hypot(1 / math.sqrt(2 * fit.size), fit.amplitude_uncertainty / fit.amplitude)


def _converter_range(survey: Survey) -> float:
    if survey.wave.code_range is None:
        raise NotMeasurable(
            f"`{survey.name}`: the converter's range is not known",
            expected="lowest and highest code of the converter",
            do="give `full_scale`, or take `referred_to: sine`",
        )
    lowest, highest = survey.wave.code_range
    return abs(survey.wave.gain) * (highest - lowest + 1)
