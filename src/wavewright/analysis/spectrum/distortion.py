"""Distortion of a sine: harmonics, noise and spurious lines against the fundamental, by the record's spectrum.

Terms after IEEE 1241 and IEEE 1057 †. A line is the sum over its main lobe, so it may lie
between two bins; harmonics above half the sampling rate are looked for where they fold back to. With the rectangular
window a line is one bin, and the record must hold whole cycles.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Literal

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import COUNT, POSITIVE, Sense
from wavewright.analysis.spectrum.decibels import DB_OF_RATIO, amplitude_ratio_db, power_ratio_db
from wavewright.analysis.spectrum.spectrum import Spectrum, amplitude_spectrum
from wavewright.analysis.spectrum.tones import Tone, find_strongest, highest_peak, tone_at, tone_doubts
from wavewright.analysis.spectrum.windows import WindowName
from wavewright.errors import NotMeasurable

SOURCE = "IEEE 1241 and IEEE 1057 †"


@dataclass(frozen=True, slots=True)
class Distortion:
    """A spectrum taken apart. All `…_square` are mean squares, in unit².

    Parameters
    ----------
    harmonic_squares : by number of the harmonic, from 2; those that fall on another line are left out.
    noise_square : of all but the mean, fundamental and harmonics, scaled up for the bins that these cover.
    noise_lines : number of bins that it was taken from.
    """

    fundamental: Tone
    fundamental_square: float
    harmonic_squares: dict[int, float]
    noise_square: float
    noise_lines: int

    @property
    def noise_in_a_line(self) -> float:
        """Mean square of the noise that the bins of one line gather, in unit²."""
        bins = self.fundamental.bins
        return self.noise_square * (2 * bins.window.lobe + 1) / bins.count

    @property
    def line_variance(self) -> float:
        """Variance of the rms value of a line that stands out of the noise, in unit².

        The sum of squares over a lobe weighs the samples with the square of the window (math: Parseval).
        """
        bins = self.fundamental.bins
        return self.noise_square * bins.window.lines_in_one / bins.size


def take_apart(
    survey: Survey,
    *,
    window: WindowName = "blackman_harris",
    harmonics: int = 10,
    fundamental: float | None = None,
) -> Distortion:
    """Fundamental, harmonics up to number `harmonics`, and the rest.

    Parameters
    ----------
    fundamental : Hz; None: the strongest tone.

    Raises
    ------
    NotMeasurable : no tone, or fewer cycles than the window needs to separate the harmonics.
    """
    key = ("distortion", window, harmonics, fundamental)
    return survey.once(key, lambda: _take_apart(survey, window, harmonics, fundamental))


@metric("thd", reads=Reads.SPECTRUM, unit="1", source=SOURCE)
def thd(
    survey: Survey,
    *,
    harmonics: Annotated[int, Sense(least=2)] = 10,
    relative_to: Literal["fundamental", "total"] = "fundamental",
    window: WindowName = "blackman_harris",
    fundamental: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Total harmonic distortion: rms of the harmonics over rms of the fundamental.

    Definition
    ----------
    √(A2² + A3² + … + Ah²) / A1, A the amplitudes of the harmonics.

    Parameters
    ----------
    harmonics : number of the highest one.
    relative_to : `total` divides by the rms of fundamental and harmonics together.
    window : of the spectrum; for a whole number of cycles, and few of them, use `rectangular`.
    fundamental : Hz; None: the strongest tone.

    Returns
    -------
    Reading, a ratio. Doubt `noisy` where half of the harmonics' power, or more, may be noise.
    """
    parts = take_apart(survey, window=window, harmonics=harmonics, fundamental=fundamental)
    squares = sum(parts.harmonic_squares.values())
    whole = parts.fundamental_square + (squares if relative_to == "total" else 0.0)
    doubts = list(tone_doubts(parts.fundamental))
    noise = parts.noise_in_a_line * len(parts.harmonic_squares)
    if squares and squares < 2 * noise:
        doubts.append(Doubt.NOISY)
    ratio = math.sqrt(squares / whole)
    lifted = ratio - math.sqrt(max(0.0, squares - noise) / whole)  # by the noise in the lobes of the harmonics
    uncertainty = math.hypot(math.sqrt(parts.line_variance / whole), lifted)
    return Reading(ratio, "1", uncertainty=uncertainty, doubts=tuple(doubts))


@metric("harmonic_level", reads=Reads.SPECTRUM, unit="dB", source=SOURCE)
def harmonic_level(
    survey: Survey,
    *,
    harmonic: Annotated[int, Sense(least=2)] = 2,
    window: WindowName = "blackman_harris",
    fundamental: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Harmonic level: one harmonic over the fundamental, in dB; `harmonic` is its number, 2 the first overtone.

    Definition
    ----------
    20·log10(Ah / A1).
    """
    if harmonic < 2:
        raise NotMeasurable(f"harmonic {harmonic}", expected="2 or more: 1 is the fundamental itself")
    parts = take_apart(survey, window=window, harmonics=harmonic, fundamental=fundamental)
    square = parts.harmonic_squares.get(harmonic, 0.0)
    if square == 0:
        raise NotMeasurable(
            f"`{survey.name}`: harmonic {harmonic} cannot be resolved",
            expected="a line of its own",
            do="raise `rate`, so that it does not fold back onto another line",
        )
    doubts = (Doubt.NOISY,) if square < 2 * parts.noise_in_a_line else ()
    return Reading(
        power_ratio_db(square / parts.fundamental_square),
        "dB",
        uncertainty=amplitude_ratio_db(1 + math.sqrt(parts.line_variance / square)),
        doubts=(*tone_doubts(parts.fundamental), *doubts),
    )


@metric("snr", reads=Reads.SPECTRUM, unit="dB", source=SOURCE)
def snr(
    survey: Survey,
    *,
    harmonics: Annotated[int, COUNT] = 10,
    window: WindowName = "blackman_harris",
    fundamental: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Signal-to-noise ratio: fundamental over all that is neither mean nor harmonic, in dB.

    Definition
    ----------
    10·log10(P1 / Pn), Pn the mean square of all but the mean and the harmonics 1 … h.

    Parameters
    ----------
    harmonics : number of the highest one that does not count as noise.
    window, fundamental : as for `thd`.

    Returns
    -------
    Reading in dB. Doubt `noisy` where another line is higher than the fundamental that was asked for.
    """
    parts = take_apart(survey, window=window, harmonics=harmonics, fundamental=fundamental)
    if parts.noise_square <= 0:
        raise NotMeasurable(f"`{survey.name}`: no noise besides the harmonics", expected="a residual above 0")
    # a mean of n squares of noise lines scatters by 1/√n of itself; the window joins neighbours
    scatter = math.sqrt(parts.fundamental.bins.window.lines_in_one / parts.noise_lines)
    ratio_db = power_ratio_db(parts.fundamental_square / parts.noise_square)
    doubts = tone_doubts(parts.fundamental)
    spur = highest_beside(amplitude_spectrum(survey, window=window), parts.fundamental)
    if spur is not None and square(spur.amplitude) / 2 > parts.fundamental_square and Doubt.NOISY not in doubts:
        doubts = (*doubts, Doubt.NOISY)  # the fundamental that was asked for is not the tone that is there
    return Reading(ratio_db, "dB", uncertainty=DB_OF_RATIO * scatter, doubts=doubts)


@metric("sfdr", reads=Reads.SPECTRUM, unit="dB", source=SOURCE)
def sfdr(
    survey: Survey,
    *,
    window: WindowName = "blackman_harris",
    fundamental: Annotated[float, "Hz", POSITIVE] | None = None,
) -> Reading:
    """Spurious-free dynamic range: fundamental over the highest other line, harmonic or not, in dB.

    Definition
    ----------
    20·log10(A1 / As), As the amplitude of the highest other line.
    """
    parts = take_apart(survey, window=window, harmonics=1, fundamental=fundamental)
    spur = highest_beside(amplitude_spectrum(survey, window=window), parts.fundamental)
    if spur is None:
        raise NotMeasurable(f"`{survey.name}`: no spectral component besides the fundamental", expected="at least one")
    signal = math.sqrt(2 * parts.fundamental_square)
    relative = spur.amplitude_uncertainty / spur.amplitude
    return Reading(
        amplitude_ratio_db(signal / spur.amplitude),
        "dB",
        uncertainty=2 * DB_OF_RATIO * relative,
        doubts=tone_doubts(parts.fundamental),
    )


def highest_beside(spectrum: Spectrum, fundamental: Tone) -> Tone | None:
    """The highest peak that is part neither of the mean's lobe nor of the fundamental's."""
    lobe = spectrum.window.lobe
    middle = round(fundamental.cycles)
    regions = ((max(1, lobe), middle - lobe), (middle + lobe + 1, spectrum.count))
    peaks = [peak for first, last in regions if (peak := highest_peak(spectrum, first, last)) is not None]
    best = max(peaks, key=spectrum.at, default=None)
    return None if best is None or not spectrum.at(best) else tone_at(spectrum, best)


def _take_apart(survey: Survey, window: WindowName, harmonics: int, fundamental: float | None) -> Distortion:
    spectrum = amplitude_spectrum(survey, window=window)
    lobe, size = spectrum.window.lobe, spectrum.count
    if fundamental is None:
        tone = find_strongest(survey, window=window)
        centre = float(round(tone.cycles)) if lobe == 0 else tone.cycles
    else:
        centre = fundamental / spectrum.step
        tone = tone_at(spectrum, min(max(1, round(centre)), size - 1))
    if not 2 * lobe + 1 <= centre <= size - 1 - lobe:
        raise NotMeasurable(
            f"`{survey.name}`: {centre:.4g} cycles in {spectrum.size} samples",
            expected=f"{2 * lobe + 1} to {size - 1 - lobe} cycles, which window `{window}` can separate from the mean",
            do="lengthen `span`, or let it hold whole cycles and take `window: rectangular`",
        )
    claimed = set(range(max(1, lobe)))  # the mean
    squares: dict[int, float] = {}
    for number in range(1, harmonics + 1):
        middle = round(_folded(number * centre, spectrum.size))
        bins = range(middle - lobe, middle + lobe + 1)
        if bins[0] < 0 or bins[-1] >= size or not claimed.isdisjoint(bins):
            continue  # folded onto another line: it cannot be distinguished from that
        claimed.update(bins)
        squares[number] = float(spectrum.mean_squares(bins[0], bins[-1] + 1).sum())
    total, count = _rest(spectrum, claimed)
    signal = squares.pop(1, 0.0)
    if signal <= 0:
        raise NotMeasurable(f"`{survey.name}`: nothing at {centre * spectrum.step:g} Hz", expected="a fundamental")
    return Distortion(tone, signal, squares, total * (size - max(1, lobe)) / max(1, count), count)


def _folded(place: float, size: int) -> float:
    """Where a line at `place` bins is seen: folded at half the sampling rate."""
    rest = place % size
    return min(rest, size - rest)


def _rest(spectrum: Spectrum, claimed: Iterable[int]) -> tuple[float, int]:
    """Mean square, in unit², and number of the lines that nobody claimed."""
    total, count, first = 0.0, 0, 0
    for bin_ in (*sorted(claimed), spectrum.count):
        for start, end in spans(first, bin_):
            lines = spectrum.mean_squares(start, end)
            total += float(lines.sum())
            count += lines.size
        first = bin_ + 1
    return total, count
