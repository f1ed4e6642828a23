"""Amplitude spectrum of a record: what amplitude is at what frequency, the window accounted for.

Memory: one float copy of the record (float32 for codes of 16 bits or fewer, where its rounding lies far below the
converter's; else float64) and its transform: twice that copy at the peak, besides what the transform itself works in.
The amplitudes, half a copy, are kept. Records of 2²⁵ samples or more, if a number from 16 to 64 divides that, are
folded instead (`folded_transform`): the same lines but for rounding, about 1e-7 of the highest, in less than one such
copy, and only the spectrum that was asked for last is kept. Shorter ones are always transformed at once, so that what
was computed of them before is found again to the bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.record.blocks import TABLES_BLOCK, blocks, spans
from wavewright.analysis.record.gapless import unbroken
from wavewright.analysis.spectrum.folded_transform import folded_magnitudes, folds_of
from wavewright.analysis.spectrum.windows import WINDOWS, Window, WindowName

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.analysis.record.survey import Survey
    from wavewright.waveform import Floats, Waveform

FEWEST_SAMPLES = 16
LONG = 1 << 25  # samples: from here on a record is folded; one float copy and its transform are 270 MB there


@dataclass(frozen=True, slots=True)
class Bins:
    """Where the lines of a spectrum lie: at 0, step, 2·step, … Hz.

    Parameters
    ----------
    step : distance of two lines, Hz: 1 / duration.
    size : number of samples that were transformed.
    window : what they were weighted with. A line that lies between two bins is low by up to the scallop loss.
    """

    step: float
    size: int
    window: Window

    @property
    def count(self) -> int:
        """How many lines there are."""
        return self.size // 2 + 1


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Amplitudes at 0, step, 2·step, … Hz.

    Parameters
    ----------
    lines : shape (size // 2 + 1,), in `unit` over `factor`, of the sine at each line: its peak value, not its rms. The
        first one is the magnitude of the mean; the mean was taken out before the window, so it does not leak.
    step, size, window : see `Bins`.
    mean : of the record, in `unit`.
    factor : of the lines, where those of the same codes on another scale are there already.
    """

    lines: npt.NDArray[Any]
    step: float
    size: int
    unit: str
    window: Window
    mean: float = 0.0
    factor: float = 1.0

    @property
    def bins(self) -> Bins:
        """Where the lines lie: all that is to be kept of the spectrum of a long record once its lines are looked at."""
        return Bins(self.step, self.size, self.window)

    @property
    def count(self) -> int:
        """How many lines there are."""
        return int(self.lines.size)

    @property
    def amplitudes(self) -> npt.NDArray[Any]:
        """The amplitudes of all lines, in `unit`."""
        return self.part(0, self.count)

    def part(self, first: int, last: int, step: int = 1) -> npt.NDArray[Any]:
        """The amplitudes of the lines from `first` up to, and without, `last`, or of each `step`-th of them."""
        lines: npt.NDArray[Any] = self.lines[first:last:step]
        if self.factor == 1.0:
            return lines
        scaled: npt.NDArray[Any] = lines * lines.dtype.type(self.factor)
        if first == 0 and lines.size:
            scaled[0] = abs(self.mean)
        scaled.flags.writeable = False
        return scaled

    def at(self, index: int) -> float:
        """The amplitude of one line; 0.0 beyond them."""
        return float(self.part(index, index + 1)[0]) if 0 <= index < self.count else 0.0

    def frequency_of(self, index: float) -> float:
        """Frequency of a line, or of a place between two, in Hz."""
        return index * self.step

    def frequencies(self) -> Floats:
        """Frequencies of all lines, Hz: for plots."""
        return np.arange(self.count, dtype=np.float64) * self.step

    def span(self, lowest: float | None, highest: float | None) -> tuple[int, int]:
        """Index of the first line at or above `lowest`, and of the one after the last at or below `highest`, in Hz."""
        slack = 1e-9  # a frequency that was meant to be a line's is one
        first = 0 if lowest is None else max(0, int(np.ceil(lowest / self.step - slack)))
        last = self.count
        if highest is not None:
            last = min(last, int(np.floor(highest / self.step + slack)) + 1)
        return first, max(first, last)

    def mean_squares(self, first: int, last: int) -> Floats:
        """What the lines from `first` up to, and without, `last` add to the mean square, in unit².

        The noise bandwidth of the window is divided out, so that sums over many lines are right (Parseval).
        """
        squares: Floats = np.square(self.part(first, last), dtype=np.float64)
        half = np.full(squares.size, 0.5)
        if first == 0 and squares.size:
            half[0] = self.window.noise_bandwidth  # the mean is exact already
        if self.size % 2 == 0 and last >= self.count > first:
            half[-1] = 1.0  # the line at half the sampling rate stands for itself only
        squares *= half / self.window.noise_bandwidth
        return squares


def amplitude_spectrum(survey: Survey, *, window: WindowName = "hann") -> Spectrum:
    """Amplitude spectrum of the whole record; of a long one only the spectrum that was last asked for is kept.

    Raises
    ------
    NotMeasurable : invalid samples inside, a constant, or fewer than 16 samples.
    """
    origin = survey.origin
    if origin is not None:  # the lines of the same codes are there
        return _on_scale(amplitude_spectrum(origin, window=window), origin.wave, survey.wave)
    if len(survey) >= LONG:
        return survey.latest("spectrum", window, lambda: _spectrum(survey, WINDOWS[window]))
    return survey.once(("spectrum", window), lambda: _spectrum(survey, WINDOWS[window]))


def _on_scale(spectrum: Spectrum, before: Waveform, wave: Waveform) -> Spectrum:
    """The spectrum of the same codes on another scale and time axis."""
    step = 1 / (spectrum.size * wave.interval)
    if (before.gain, before.offset) == (wave.gain, wave.offset):
        return replace(spectrum, step=step)
    mean = wave.value_of(before.code_of(spectrum.mean))
    return replace(spectrum, lines=spectrum.amplitudes, factor=abs(wave.gain / before.gain), step=step, mean=mean)


def _spectrum(survey: Survey, window: Window) -> Spectrum:
    wave = unbroken(survey, least=FEWEST_SAMPLES)
    size = len(wave)
    folds = folds_of(size) if size >= LONG else None
    if folds is None:
        amplitudes, mean = _whole(wave, window)
    else:
        mean = mean_code(wave.codes)
        amplitudes = folded_magnitudes(wave.codes, mean, window, folds)
    amplitudes *= 2 * abs(wave.gain) / (size * window.coherent_gain)
    mean = wave.value_of(mean)
    amplitudes[0] = abs(mean)
    if size % 2 == 0:
        amplitudes[-1] /= 2
    amplitudes.flags.writeable = False
    return Spectrum(amplitudes, 1 / (size * wave.interval), size, wave.unit, window, mean)


def _whole(wave: Waveform, window: Window) -> tuple[npt.NDArray[Any], float]:
    """Magnitudes of the lines by one transform of all samples, and the mean code."""
    from scipy.fft import rfft

    values, mean = centred(wave, window)
    lines = rfft(values, overwrite_x=True)
    del values
    return magnitudes(lines), mean


def magnitudes(lines: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Magnitudes of complex numbers, in their precision; from squares and roots, which are alike on every system."""
    found = np.empty(lines.size, dtype=lines.real.dtype)
    for first, last in spans(0, lines.size, TABLES_BLOCK):
        part = lines[first:last]
        squares = np.square(part.real, dtype=np.float64) + np.square(part.imag, dtype=np.float64)
        found[first:last] = np.sqrt(squares)
    return found


def centred(wave: Waveform, window: Window = WINDOWS["rectangular"]) -> tuple[npt.NDArray[Any], float]:
    """The codes less their mean as floats that hold them without loss, and the mean code; gain is not applied.

    Parameters
    ----------
    window : what they are weighted with.
    """
    codes = wave.codes
    is_short = codes.dtype.itemsize <= 2 or codes.dtype == np.float32
    values = np.empty(codes.size, np.float32 if is_short else np.float64)
    mean = mean_code(codes)

    def fill(part: npt.NDArray[Any], first: int) -> None:
        some = codes[first : first + part.size]
        if codes.dtype.kind == "f":
            np.subtract(some, mean, out=part, dtype=np.float64, casting="unsafe")
        else:
            part[...] = some
            np.subtract(part, mean, out=part)

    window.multiply(values, fill=fill)
    return values, mean


def mean_code(codes: npt.NDArray[Any]) -> float:
    """Mean of the codes, without a copy of them; exact for integers."""
    if codes.dtype.kind in "iu":
        wide = np.int32 if codes.dtype.itemsize <= 2 else np.int64  # 2¹⁵ codes of 16 bits are below 2³¹
        return sum(int(block.sum(dtype=wide)) for block in blocks(codes, TABLES_BLOCK)) / codes.size
    offset = float(codes[0])  # keeps the digits of a small signal on a large offset
    sums = (float((block.astype(np.float64) - offset).sum()) for block in blocks(codes, TABLES_BLOCK))
    return offset + sum(sums) / codes.size
