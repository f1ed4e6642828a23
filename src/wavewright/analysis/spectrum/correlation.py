"""Correlation of two channels: how alike they are sample by sample, and by what delay they are most alike."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.alignment import aligned
from wavewright.analysis.record.blocks import DOT_BLOCK, spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import POSITIVE
from wavewright.analysis.spectrum.spectrum import centred, mean_code
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

NEARLY_AS_HIGH = 0.98  # of the highest coefficient: peaks of periodic waveforms, of which the nearest is meant
SOURCE = "math: product-moment coefficient of correlation"


@dataclass(frozen=True, slots=True)
class Covariances:
    """Means, mean squares and mean product of the deviations from the means, in the units of the channels."""

    size: int
    means: tuple[float, float]
    squares: tuple[float, float]
    product: float

    @property
    def coefficient(self) -> float:
        """Coefficient of correlation, −1 … 1."""
        return self.product / math.sqrt(self.squares[0] * self.squares[1])


@dataclass(frozen=True, slots=True, eq=False)
class Correlogram:
    """Coefficient of correlation over the delay of the second channel, s; shape (n,) each."""

    delays: Floats
    coefficients: Floats


@metric("correlation", reads=Reads.SAMPLES, unit="1", source=SOURCE, channels=2)
def correlation(first: Survey, second: Survey) -> Reading:
    """Correlation: coefficient of two channels, sample by sample; 1: equal shape, 0: unrelated, −1: inverted.

    Definition
    ----------
    Σ(x − x̄)(y − ȳ) / √(Σ(x − x̄)² · Σ(y − ȳ)²).

    The uncertainty, (1 − r²)/√n, takes the samples as independent.
    """
    sums = covariances(first, second)
    coefficient = max(-1.0, min(1.0, sums.coefficient))
    return Reading(coefficient, "1", uncertainty=(1 - square(coefficient)) / math.sqrt(sums.size))


def covariances(first: Survey, second: Survey) -> Covariances:
    """Sums over the time that both channels share, in blocks; raises NotMeasurable as `aligned`."""
    one, other = aligned(first, second, least=3)
    means = (mean_code(one.codes), mean_code(other.codes))
    squares, products = np.zeros(2), 0.0
    for begin, end in spans(0, len(one), DOT_BLOCK):
        x = one.codes[begin:end].astype(np.float64) - means[0]
        y = other.codes[begin:end].astype(np.float64) - means[1]
        squares += (inner(x, x), inner(y, y))
        products += inner(x, y)
    if not (squares > 0).all():
        raise NotMeasurable(
            f"`{first.name}`, `{second.name}`: one does not vary in the time they share", expected="both to vary"
        )
    size = len(one)
    return Covariances(
        size=size,
        means=(one.value_of(means[0]), other.value_of(means[1])),
        squares=(square(one.gain) * float(squares[0]) / size, square(other.gain) * float(squares[1]) / size),
        product=one.gain * other.gain * products / size,
    )


@metric("correlation_delay", reads=(Reads.SAMPLES, Reads.EDGES), unit="s", source=SOURCE, channels=2)
def correlation_delay(
    first: Survey, second: Survey, *, longest: Annotated[float, "s", POSITIVE] | None = None
) -> Reading:
    """Correlation delay: by how much the second channel is later, where their correlation is highest.

    Definition
    ----------
    d of the greatest Σ x(t)·y(t + d), means taken out and divided by the rms values of what overlaps.

    Between the samples a parabola through the three highest coefficients is taken. Of peaks nearly as high, as periodic
    waveforms have them, the one nearest to 0 counts.

    Parameters
    ----------
    longest : delay that is looked for either way, s; None: half the record.

    Returns
    -------
    Reading in s. Doubt `noisy` where the coefficient is below 0.5. The uncertainty takes what differs between the
    channels as white noise, and adds a twentieth of an interval for the parabola.
    """
    found = correlogram(first, second, longest=longest)
    values = found.coefficients
    inner = values[1:-1]
    peaks = 1 + np.flatnonzero((inner >= values[:-2]) & (inner >= values[2:]) & (inner > 0))
    if not peaks.size:
        raise NotMeasurable(
            f"`{first.name}` and `{second.name}`: the correlation has no maximum at any delay",
            expected="waveforms that resemble each other",
            do="make `longest` larger, or take both in one record",
        )
    high = peaks[values[peaks] >= NEARLY_AS_HIGH * values[peaks].max()]
    peak = int(high[np.argmin(np.abs(found.delays[high]))])
    below, here, above = (float(values[k]) for k in (peak - 1, peak, peak + 1))
    bend = below - 2 * here + above
    offset = 0.5 * (below - above) / bend if bend < 0 else 0.0
    interval = float(found.delays[1] - found.delays[0])
    # near the peak r(x) = r − bend·x²/2; noise of variance 1 − r² a sample moves its top
    size = values.size // 2
    moved = math.sqrt(max(0.0, 1 - here) / (max(1e-12, -bend) * size))
    return Reading(
        float(found.delays[peak]) + offset * interval,
        "s",
        uncertainty=interval * math.hypot(moved, 0.05),
        doubts=(Doubt.NOISY,) if here < 0.5 else (),
    )


def correlogram(first: Survey, second: Survey, *, longest: float | None = None) -> Correlogram:
    """Coefficient of correlation over the delay, of the samples that overlap at each delay.

    Memory: about ten float copies of the record.

    Parameters
    ----------
    longest : delay either way, s; None: half the record.

    Raises
    ------
    NotMeasurable : as `aligned`, fewer than 8 samples, or a delay beyond the record.
    """
    one, other = aligned(first, second, least=8)
    size = len(one)
    most = size // 2 if longest is None else round(longest / one.interval)
    if not 1 <= most <= size - 4:
        raise NotMeasurable(
            f"`{first.name}`: delays of up to {most} samples among {size}",
            expected=f"1 to {size - 4} samples of {one.interval:g} s",
            do="lengthen `span`, or choose another `longest`",
        )
    products, (before, after) = _products(one, other, most)
    overlap = size - np.abs(np.arange(-most, most + 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        values = (products - before.total * after.total / overlap) / np.sqrt(before.spread * after.spread)
    values[~np.isfinite(values)] = 0.0  # one of the two does not vary where they overlap
    sign = math.copysign(1.0, one.gain * other.gain)
    delays = one.interval * np.arange(-most, most + 1, dtype=np.float64)
    return Correlogram(delays, np.clip(sign * values, -1.0, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Overlap:
    """Of the part of a record that overlaps, for each delay: sum, and sum of squares about its own mean."""

    total: Floats
    spread: Floats


def _products(one: Waveform, other: Waveform, most: int) -> tuple[Floats, tuple[_Overlap, _Overlap]]:
    """Sums of products for delays −most … most of the second waveform, and what normalises them; in codes."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = len(one)
    x, y = (centred(wave)[0].astype(np.float64) for wave in (one, other))
    length = next_fast_len(size + most, real=True)
    products = irfft(np.conj(rfft(x, length)) * rfft(y, length), length)
    ordered = np.concatenate([products[length - most :], products[: most + 1]])
    return ordered, (_overlap(x, most, is_first=True), _overlap(y, most, is_first=False))


def _overlap(values: Floats, most: int, *, is_first: bool) -> _Overlap:
    """The second waveform later by d: the first overlaps with its samples 0 … n − d, the second with d … n."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    squares = np.concatenate([[0.0], np.cumsum(square(values))])
    delays = np.arange(-most, most + 1) if is_first else np.arange(most, -most - 1, -1)
    begin = np.maximum(0, -delays)
    end = np.minimum(values.size, values.size - delays)
    total = sums[end] - sums[begin]
    return _Overlap(total, np.maximum(0.0, squares[end] - squares[begin] - square(total) / (end - begin)))
