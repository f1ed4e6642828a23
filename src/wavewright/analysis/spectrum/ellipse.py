"""The XY figure of two channels: the ellipse that two sines of one frequency draw."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.angles import arccosine, arctangent, sine_of
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.correlation import covariances
from wavewright.analysis.spectrum.phase import SOURCE, common_sines, sine_doubts


@dataclass(frozen=True, slots=True)
class Ellipse:
    """What two sines of one frequency draw, the first channel to the right, the second upwards.

    Parameters
    ----------
    centre : of the figure, in the units of the channels.
    major, minor : half axes, in the unit that both channels share.
    tilt : of the major axis against the first channel's, rad, −π/2 … π/2.
    is_anticlockwise : the sense in which it is drawn.
    """

    centre: tuple[float, float]
    major: float
    minor: float
    tilt: float
    is_anticlockwise: bool


def fit_ellipse(first: Survey, second: Survey, *, frequency: float | None = None) -> Ellipse:
    """The ellipse that fits best: that of the sines that fit both channels best.

    Parameters
    ----------
    frequency : Hz; None: that of the sine that fits the first channel best.

    Raises
    ------
    NotMeasurable : no sine that both channels share.
    """
    fits = common_sines(first, second, frequency=frequency)
    (a, b), (c, d) = ((fit.cosine, fit.sine) for fit in fits)
    # the figure as the sum of two that turn opposite ways: their sizes are half the sum and the difference of the axes
    one, other = math.hypot(a + d, c - b), math.hypot(a - d, c + b)
    major = (one + other) / 2
    tilt = (arctangent(c - b, a + d) + arctangent(c + b, a - d)) / 2
    return Ellipse(
        centre=(fits[0].offset, fits[1].offset),
        major=major,
        minor=abs(a * d - b * c) / major if major else 0.0,
        tilt=tilt - math.pi * round(tilt / math.pi),
        is_anticlockwise=a * d > b * c,
    )


@metric("axis_ratio", reads=Reads.SPECTRUM, unit="1", source="math: singular values of the two sines", channels=2)
def axis_ratio(first: Survey, second: Survey, *, frequency: Annotated[float, "Hz", POSITIVE] | None = None) -> Reading:
    """Axis ratio: minor over major axis of the XY figure; 0 for a line, 1 for a circle.

    Definition
    ----------
    smaller over larger singular value of the two sines' (cosine, sine) parts.

    Parameters
    ----------
    frequency : Hz; None: that of the sine that fits the first channel best.
    """
    fits = common_sines(first, second, frequency=frequency)
    ellipse = fit_ellipse(first, second, frequency=frequency)
    # each end of an axis is a sum of two amplitudes, each as uncertain as the larger one
    uncertainty = math.hypot(*(fit.amplitude_uncertainty for fit in fits)) / ellipse.major
    return Reading(ellipse.minor / ellipse.major, "1", uncertainty=uncertainty, doubts=sine_doubts(fits))


@metric("ellipse_phase", reads=Reads.SPECTRUM, unit="deg", source=SOURCE, channels=2)
def ellipse_phase(first: Survey, second: Survey) -> Reading:
    """Phase by the width of the XY figure, 0 … 180 deg: arc cosine of the correlation coefficient of the channels.

    Definition
    ----------
    arccos(Σ(x − x̄)(y − ȳ) / √(Σ(x − x̄)² · Σ(y − ȳ)²)).

    It takes no frequency and does not show which channel leads; it is right for sines over whole cycles, and worst near
    0 and 180 deg, where noise opens the figure. Doubt `noisy` there.
    """
    sums = covariances(first, second)
    coefficient = max(-1.0, min(1.0, sums.coefficient))
    phase = arccosine(coefficient)
    # derivative of the arc cosine; the coefficient itself scatters by (1 − r²)/√n
    uncertainty = math.sqrt(max(0.0, 1 - square(coefficient)) / sums.size)
    is_narrow = abs(sine_of(phase)) < 0.05
    return Reading(
        math.degrees(phase),
        "deg",
        uncertainty=math.degrees(uncertainty),
        doubts=(Doubt.NOISY,) if is_narrow else (),
    )
