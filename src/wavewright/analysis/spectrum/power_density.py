"""Power spectral density: the periodograms of overlapping segments, averaged.

IEEE Trans. Audio Electroacoustics 15 (1967) 70-73, as SciPy cites it. Segments overlap by half, each is
freed of its mean. Memory: that of some segments, however long the record.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.gamma import gamma_median
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.blocks import TABLES_BLOCK, spans
from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import NOT_NEGATIVE, POSITIVE
from wavewright.analysis.spectrum.spectrum import FEWEST_SAMPLES, LONG
from wavewright.analysis.spectrum.windows import WINDOWS, Window, WindowName
from wavewright.errors import NotMeasurable
from wavewright.waveform import Floats, Waveform

if TYPE_CHECKING:
    import numpy.typing as npt

SEGMENTS = 8  # that a record is cut into, laid end to end, where no resolution is asked for
BATCH = 1 << 18  # samples that are transformed at a time


@dataclass(frozen=True, slots=True, eq=False)
class PowerDensity:
    """Mean square per hertz, one-sided, at 0, step, 2·step, … Hz.

    Parameters
    ----------
    values : shape (segment // 2 + 1,), in unit²/Hz. The first is about 0, as every segment is freed of its mean.
    step : distance of two lines, Hz. `segment` : number of samples in each segment.
    averages : number of independent periodograms that the overlapping ones are worth: a line of noise scatters by
        1/√averages of itself (chi-square with 2·averages degrees of freedom).
    """

    values: Floats
    step: float
    segment: int
    averages: float
    unit: str
    window: Window

    def frequencies(self) -> Floats:
        """Frequencies of all lines, Hz: for plots."""
        return np.arange(self.values.size, dtype=np.float64) * self.step

    def between(self, lowest: float | None, highest: float | None) -> Floats:
        """The lines from `lowest` to `highest`, Hz, both included, without those that the mean may reach into."""
        first = max(1, len(self.window.terms)) if lowest is None else int(np.ceil(lowest / self.step - 1e-9))
        last = self.values.size - 1 if highest is None else int(np.floor(highest / self.step + 1e-9)) + 1
        return self.values[max(1, first) : max(1, first, last)]


def power_density(survey: Survey, *, resolution: float | None = None, window: WindowName = "hann") -> PowerDensity:
    """Power spectral density of the record.

    Parameters
    ----------
    resolution : distance of the lines, Hz; None: such that 8 segments, laid end to end, make up the record.

    Raises
    ------
    NotMeasurable : invalid samples inside, a constant, a record shorter than one segment of at least 16 samples.
    """
    origin = survey.origin
    if origin is not None and (resolution is None or survey.wave.interval == origin.wave.interval):
        return _on_scale(power_density(origin, resolution=resolution, window=window), origin.wave, survey.wave)
    key = (resolution, window)
    if len(survey) >= LONG:
        return survey.latest("power density", key, lambda: _density(survey, resolution, WINDOWS[window]))
    return survey.once(("power density", *key), lambda: _density(survey, resolution, WINDOWS[window]))


def _on_scale(density: PowerDensity, before: Waveform, wave: Waveform) -> PowerDensity:
    """The density of the same codes, cut into the same segments, on another scale and time axis."""
    slower, larger = wave.interval / before.interval, abs(wave.gain / before.gain)
    return replace(density, values=density.values * (square(larger) * slower), step=density.step / slower)


@metric(
    "noise_density",
    reads=Reads.SPECTRUM,
    unit="V/√Hz",
    source="IEEE Trans. Audio Electroacoustics 15 (1967) 70-73, as SciPy cites it; median of chi-square: math",
)
def noise_density(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    resolution: Annotated[float, "Hz", POSITIVE] | None = None,
    average: Literal["median", "mean"] = "median",
    window: WindowName = "hann",
) -> Reading:
    """Noise density: root of the power spectral density, averaged over a band.

    Definition
    ----------
    √(S), S = 2·interval·Σ|X|² / (segments · Σw²), averaged over the band.

    Parameters
    ----------
    lowest, highest : the band, Hz; left out: all but the lines next to 0 Hz.
    resolution : distance of the lines, Hz, see `power_density`.
    average : over the lines. `median`: tones above the noise do not count; corrected for the median of chi-square
        lying below its mean. `mean`: everything counts.

    Returns
    -------
    Reading in the waveform's unit per √Hz.
    """
    density = power_density(survey, resolution=resolution, window=window)
    lines = density.between(lowest, highest)
    if not lines.size:
        raise NotMeasurable(
            f"`{survey.name}`: no line of the spectrum in the band; they lie {density.step:g} Hz apart",
            expected="a band below half the sampling rate that holds a line",
            do="widen the band, or make `resolution` finer",
        )
    level = float(lines.mean()) if average == "mean" else float(np.median(lines)) / _median_of_noise(density.averages)
    if level <= 0:
        raise NotMeasurable(f"`{survey.name}`: no noise in the band", expected="a density above 0")
    # neighbouring lines are not independent; a median scatters √(π/2) times as much as a mean
    count = max(1.0, lines.size / density.window.lines_in_one) * density.averages
    relative = (1.0 if average == "mean" else float(np.sqrt(np.pi / 2))) / np.sqrt(count)
    root = float(np.sqrt(level))
    return Reading(root, f"{survey.unit}/√Hz", uncertainty=root * float(relative) / 2)


def _median_of_noise(averages: float) -> float:
    """Median over mean of chi-square with 2·averages degrees of freedom."""
    return gamma_median(averages) / averages


def _density(survey: Survey, resolution: float | None, window: Window) -> PowerDensity:
    wave = unbroken(survey, least=FEWEST_SAMPLES)
    if resolution is None:
        segment = max(FEWEST_SAMPLES, len(wave) // SEGMENTS)
    else:
        segment = round(1 / (resolution * wave.interval)) if resolution > 0 else 0
    if not FEWEST_SAMPLES <= segment <= len(wave):
        raise NotMeasurable(
            f"`{survey.name}`: lines {resolution:g} Hz apart need segments of {segment} samples",
            expected=f"{FEWEST_SAMPLES} to {len(wave)}, that is a `resolution` of {1 / wave.duration:.4g} Hz to "
            f"{1 / (FEWEST_SAMPLES * wave.interval):.4g} Hz",
            do="lengthen `span` for a finer resolution",
        )
    weights = window.weights(segment)
    total, count = _sum_of_squares(wave, segment, weights)
    values = total * (2 * wave.interval * square(wave.gain) / (count * inner(weights, weights)))
    values[0] /= 2
    if segment % 2 == 0:
        values[-1] /= 2
    values.flags.writeable = False
    step = 1 / (segment * wave.interval)
    return PowerDensity(values, step, segment, _independent(weights, count), wave.unit, window)


def _sum_of_squares(wave: Waveform, segment: int, weights: Floats) -> tuple[Floats, int]:
    """Sum over all segments of the squared magnitudes of their transforms, in codes², and their number."""
    from scipy.fft import rfft

    segments = np.lib.stride_tricks.sliding_window_view(wave.codes, segment)[:: max(1, segment // 2)]
    working = np.float32 if wave.codes.dtype.itemsize <= 2 else np.float64
    factors = weights.astype(working)
    total = np.zeros(segment // 2 + 1)
    rows = max(1, BATCH // segment)
    for first in range(0, len(segments), rows):
        batch: npt.NDArray[Any] = segments[first : first + rows].astype(working)
        batch -= batch.mean(axis=1, keepdims=True, dtype=np.float64).astype(working)
        np.multiply(batch, factors, out=batch)
        lines = rfft(batch, axis=1, overwrite_x=True)
        for begin, end in spans(0, total.size, TABLES_BLOCK):
            part = lines[:, begin:end]
            squares = np.square(part.real, dtype=np.float64) + np.square(part.imag, dtype=np.float64)
            total[begin:end] += squares.sum(axis=0)
    return total, len(segments)


def _independent(weights: Floats, count: int) -> float:
    """Number of independent segments that `count` segments, overlapping by half, are worth."""
    half = weights.size // 2
    shared = inner(weights[half:], weights[: weights.size - half]) / inner(weights, weights)
    return count / (1 + 2 * square(shared) * (1 - 1 / count))
