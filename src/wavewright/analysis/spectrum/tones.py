"""Tones: sines in a record, with frequencies between the lines of the spectrum.

The peak of a line between two bins is found from the ratio of the highest bin and its larger neighbour, by the response
of the window; for the Hann window that is the closed formula offset = (2·ratio − 1)/(ratio + 1) (math). What is left is
the leakage of the line's mirror image at the negative frequency, which the uncertainty covers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log, square
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import COUNT, NOT_NEGATIVE, POSITIVE
from wavewright.analysis.spectrum.spectrum import Bins, Spectrum, amplitude_spectrum
from wavewright.analysis.spectrum.windows import Window, WindowName
from wavewright.errors import NotMeasurable

FEW_CYCLES = 10
FEW_SAMPLES_A_CYCLE = 4


@dataclass(frozen=True, slots=True)
class Tone:
    """One sine in a record.

    Parameters
    ----------
    frequency : Hz. `amplitude` : peak value, in the waveform's unit.
    cycles : of it in the record: its place in the spectrum, in bins.
    noise : rms of the noise in one sample, in the waveform's unit, estimated from the lines that are not peaks.
    """

    frequency: float
    amplitude: float
    cycles: float
    noise: float
    bins: Bins

    @property
    def frequency_uncertainty(self) -> float:
        """Standard uncertainty of the frequency, Hz: noise, and leakage from the image."""
        window = self.bins.window
        offset = abs(self.cycles - round(self.cycles))
        slope = _ratio_slope(window, offset)
        scatter = self.noise * math.sqrt(2 * window.noise_bandwidth / self.bins.size) / self.amplitude / slope
        leaked = 2 * self._image() / slope  # the ratio of two bins, each off by it
        return math.hypot(scatter, leaked / math.sqrt(3)) * self.bins.step

    @property
    def amplitude_uncertainty(self) -> float:
        """Standard uncertainty of the amplitude, in the waveform's unit: noise, and leakage from the image."""
        window = self.bins.window
        raised = window.response(
            abs(self.cycles - round(self.cycles))
        )  # a line between bins is scaled up, its noise too
        scatter = self.noise * math.sqrt(2 * window.noise_bandwidth / self.bins.size) / raised
        return math.hypot(scatter, self._image() * self.amplitude / math.sqrt(3))

    def _image(self) -> float:
        """What the mirror image at the negative frequency adds to the highest bin at most, relative to the line."""
        nyquist = self.bins.size / 2
        nearest = 2 * min(self.cycles, abs(nyquist - self.cycles))
        window = self.bins.window
        return window.side_lobe(nearest) / window.response(0.5) if nearest > len(window.terms) else 1.0


@metric(
    "strongest_tone",
    reads=Reads.SPECTRUM,
    unit="Hz",
    source="math: interpolated peak of the windowed discrete Fourier transform",
)
def strongest_tone(
    survey: Survey,
    *,
    window: WindowName = "hann",
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    number: Annotated[int, COUNT] = 1,
) -> Reading:
    """Strongest tone: frequency of the highest line of the spectrum, interpolated between the bins.

    Definition
    ----------
    (k + offset) / duration, k the highest bin of the windowed spectrum; offset from the ratio of its larger
    neighbour to it.

    Parameters
    ----------
    window : weights of the samples; see `windows`.
    lowest, highest : where to look, Hz; the whole spectrum without the mean if left out.
    number : of the tone in the order of strength; 2 is the second strongest. Tones whose main lobes overlap are one.

    Returns
    -------
    Reading in Hz. Doubts: `few_cycles` below 10 cycles in the record, `undersampled` below 4 samples per cycle, `noisy`
    where noise alone has such a line in one record out of 100 or more often.

    Raises
    ------
    NotMeasurable : no peak there, or fewer cycles in the record than the window can separate from the mean.
    """
    tone = find_strongest(survey, window=window, lowest=lowest, highest=highest, number=number)
    return Reading(tone.frequency, "Hz", uncertainty=tone.frequency_uncertainty, doubts=tone_doubts(tone))


@metric(
    "strongest_tone_amplitude",
    reads=Reads.SPECTRUM,
    unit="",
    source="math: interpolated peak of the windowed discrete Fourier transform",
)
def strongest_tone_amplitude(
    survey: Survey,
    *,
    window: WindowName = "hann",
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    number: Annotated[int, COUNT] = 1,
) -> Reading:
    """Strongest tone's amplitude: peak value of the sine at the highest line, corrected for scallop loss.

    Definition
    ----------
    2·|X[k]| / (n · coherent gain · response(offset)).

    Options, doubts and errors are those of `strongest_tone`.
    """
    tone = find_strongest(survey, window=window, lowest=lowest, highest=highest, number=number)
    return Reading(tone.amplitude, survey.unit, uncertainty=tone.amplitude_uncertainty, doubts=tone_doubts(tone))


def find_strongest(
    survey: Survey,
    *,
    window: WindowName = "hann",
    lowest: float | None = None,
    highest: float | None = None,
    number: int = 1,
) -> Tone:
    """The strongest tone between two frequencies, in Hz, or the one of that number in the order of their strength.

    Tones whose main lobes overlap count as one. Raises NotMeasurable as the metric does.
    """
    key = ("strongest tone", window, lowest, highest, number)
    return survey.once(key, lambda: _strongest(survey, window, lowest, highest, number))


def _strongest(survey: Survey, window: WindowName, lowest: float | None, highest: float | None, number: int) -> Tone:
    spectrum = amplitude_spectrum(survey, window=window)
    least = max(1, len(spectrum.window.terms))
    first, last = spectrum.span(lowest, highest)
    if number == 1:
        peak = highest_peak(spectrum, max(first, 1), last)
    else:
        peak = next(islice(_peaks(spectrum, first, last), number - 1, None), None)
    if peak is None or spectrum.at(peak) == 0:
        raise NotMeasurable(
            f"`{survey.name}`: no peak in the spectrum between {spectrum.frequency_of(first):g} Hz and "
            f"{spectrum.frequency_of(last - 1):g} Hz",
            expected="a line higher than both its neighbours",
            do="widen `lowest` … `highest`, or lengthen `span`",
        )
    if peak < least:
        raise NotMeasurable(
            f"`{survey.name}`: the highest line is at {peak} cycles in the record",
            expected=f"at least {least} cycles, which window `{window}` can separate from a drift of the mean",
            do="lengthen `span`, or set `lowest` above the drift",
        )
    return tone_at(spectrum, peak)


def _peaks(spectrum: Spectrum, first: int, last: int) -> Iterator[int]:
    """The highest peaks between two lines, highest first, none in the main lobe of a higher one."""
    lobe = len(spectrum.window.terms)
    left = np.zeros_like(spectrum.lines)
    left[max(first, lobe) : last] = spectrum.part(max(first, lobe), last)
    while (peak := int(left.argmax())) and left[peak] > 0:
        if is_peak(spectrum, peak):
            yield peak
        left[max(0, peak - lobe) : peak + lobe + 1] = 0


def tone_doubts(tone: Tone) -> tuple[Doubt, ...]:
    """What speaks against a tone."""
    size = tone.bins.size
    found = []
    if tone.cycles < FEW_CYCLES:
        found.append(Doubt.FEW_CYCLES)
    if size / tone.cycles < FEW_SAMPLES_A_CYCLE:
        found.append(Doubt.UNDERSAMPLED)
    if is_lost(tone):
        found.append(Doubt.NOISY)
    return tuple(found)


def is_lost(tone: Tone) -> bool:
    """Whether noise may have made the line: one of white noise is exponentially distributed about a mean square."""
    size = tone.bins.size
    mean = 4 * square(tone.noise) * tone.bins.window.noise_bandwidth / size
    return square(tone.amplitude) < mean * log(size / 2 / 0.01)


def tone_at(spectrum: Spectrum, peak: int) -> Tone:
    """The tone whose highest bin is `peak`."""
    below, here, above = (spectrum.at(k) if k > 0 else 0.0 for k in (peak - 1, peak, peak + 1))
    offset = math.copysign(offset_of(spectrum.window, max(below, above) / here), above - below)
    return Tone(
        frequency=spectrum.frequency_of(peak + offset),
        amplitude=here / spectrum.window.response(offset),
        cycles=peak + offset,
        noise=noise_rms(spectrum),
        bins=spectrum.bins,
    )


def offset_of(window: Window, ratio: float) -> float:
    """How far from its highest bin a line lies, in bins, 0 … 0.5, from the larger neighbour's height over the bin's."""
    if ratio >= 1:
        return 0.5
    if window.name == "rectangular":
        return ratio / (1 + ratio)
    if window.name == "hann":
        return max(0.0, (2 * ratio - 1) / (ratio + 1))
    low, high = 0.0, 0.5
    for _ in range(52):  # the ratio grows with the offset, so halving finds it
        middle = (low + high) / 2
        if window.response(1 - middle) < ratio * window.response(middle):
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _ratio_slope(window: Window, offset: float) -> float:
    """How fast the ratio of the larger neighbour to the highest bin grows with the offset, per bin."""
    step = 1e-4
    before, after = (window.response(1 - place) / window.response(place) for place in (offset - step, offset + step))
    return (after - before) / (2 * step)


def noise_rms(spectrum: Spectrum) -> float:
    """Rms of white noise that has the spectrum's median line: lines above the noise do not count."""
    first, last = max(1, len(spectrum.window.terms)), spectrum.count - 1
    step = max(1, (last - first) // 100_000)  # a sample of the lines gives the median well enough
    lines = spectrum.part(first, last, step).astype(np.float64)
    median = float(np.median(lines)) if lines.size else 0.0
    # squares of noise lines are exponentially distributed, with median ln 2 of the mean
    return median / math.sqrt(log(2)) * math.sqrt(spectrum.size / spectrum.window.noise_bandwidth) / 2


def is_peak(spectrum: Spectrum, index: int) -> bool:
    """Whether a line is not lower than its neighbours."""
    before = spectrum.at(index - 1) if index > 1 else 0.0
    return before <= spectrum.at(index) >= spectrum.at(index + 1)


def highest_peak(spectrum: Spectrum, first: int, last: int) -> int | None:
    """The highest line from `first` up to, and without, `last` that is higher than its neighbours."""
    last = min(last, spectrum.count)
    if first >= last:
        return None
    peak = _highest(spectrum, first, last)
    if is_peak(spectrum, peak):
        return peak
    peaks = (_highest_peak_within(spectrum, begin, end) for begin, end in spans(first + 1, last - 1))
    return max((peak for peak in peaks if peak is not None), key=spectrum.at, default=None)


def _highest_peak_within(spectrum: Spectrum, first: int, last: int) -> int | None:
    here, before, after = (spectrum.part(first + by, last + by) for by in (0, -1, 1))
    peaks = np.flatnonzero((here >= before) & (here >= after))
    return first + int(peaks[here[peaks].argmax()]) if peaks.size else None


def _highest(spectrum: Spectrum, first: int, last: int) -> int:
    """The first of the highest lines; NumPy would copy all of them, as they cannot be written to."""
    tops = [begin + int(spectrum.part(begin, end).argmax()) for begin, end in spans(first, last)]
    return max(tops, key=spectrum.at)
