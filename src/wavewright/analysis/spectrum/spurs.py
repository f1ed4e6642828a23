"""Spurious lines of a spectrum against a mask."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import exp, log
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.record.blocks import spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.decibels import amplitude_ratio, amplitude_ratio_db
from wavewright.analysis.spectrum.spectrum import Spectrum, amplitude_spectrum
from wavewright.analysis.spectrum.tones import find_strongest, is_lost, tone_at
from wavewright.analysis.spectrum.windows import WINDOWS, WindowName
from wavewright.errors import Misuse, NotMeasurable
from wavewright.quantities import read_quantity
from wavewright.waveform import Floats

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Spur:
    """A line beside the strongest tone.

    Parameters
    ----------
    frequency : Hz. `amplitude` : peak value, in the waveform's unit. `limit` : the mask there, in the same unit.
    margin_db : how far below the mask the line is, dB; negative above it.
    """

    frequency: float
    amplitude: float
    limit: float
    margin_db: float


@dataclass(frozen=True, slots=True)
class SpurMask:
    """Highest amplitudes allowed, in the waveform's unit, at some frequencies, Hz, ascending.

    Between two points the limit runs straight over log frequency in decibels. Beyond them there is none.
    """

    frequencies: tuple[float, ...]
    levels: tuple[float, ...]

    def at(self, frequencies: Floats) -> Floats:
        """The limit at frequencies within the mask, in the waveform's unit."""
        places = log(np.maximum(frequencies, self.frequencies[0]))
        return exp(np.interp(places, log(np.array(self.frequencies)), log(np.array(self.levels))))


def _pairs_of_text(text: str) -> list[list[str]]:
    """The pairs of `[[100 kHz, 2 mV], [10 MHz, -60 dB]]`, as it is written on a command line; none if it is not one."""
    pair = r"\[([^\[\],]+),([^\[\],]+)\]"
    bare = re.sub(r"\s*([\[\],])\s*", r"\1", text.strip())
    return [list(found) for found in re.findall(pair, bare)] if re.fullmatch(rf"\[{pair}(,{pair})*\]", bare) else []


def read_mask(points: object, *, unit: str, reference: float) -> SpurMask:
    """A mask from pairs of frequency and level, at least two, in ascending order of frequency.

    Parameters
    ----------
    points : frequencies as `1 MHz` or numbers in Hz; levels as amplitudes, `2 mV` or numbers in `unit`, or as `-60 dB`
        under the strongest tone.
    reference : amplitude of the strongest tone, in `unit`.

    Raises
    ------
    Misuse : it is not such a list; says what would be right.
    """
    given = _pairs_of_text(points) if isinstance(points, str) else points
    pairs = list(given) if isinstance(given, Sequence) else []
    if len(pairs) < 2 or not all(isinstance(pair, Sequence) and len(pair) == 2 for pair in pairs):
        raise Misuse(f"mask `{points}`", expected="two or more pairs such as `[[100 kHz, 2 mV], [10 MHz, 0.5 mV]]`")
    frequencies = tuple(_number(frequency, "Hz") for frequency, _ in pairs)
    levels = tuple(_level(level, unit, reference) for _, level in pairs)
    if frequencies[0] <= 0 or any(np.diff(frequencies) <= 0) or min(levels) <= 0:
        raise Misuse(f"mask `{points}`", expected="frequencies above 0 that rise from pair to pair, levels above 0")
    return SpurMask(frequencies, levels)


def spurs(survey: Survey, *, mask: object, window: WindowName = "blackman_harris") -> tuple[Spur, ...]:
    """Lines above the mask, the worst first; the strongest tone is not one of them.

    Parameters
    ----------
    mask : see `read_mask`.

    Raises
    ------
    NotMeasurable : no tone, or a mask beyond half the sampling rate. Misuse : no mask.
    """
    response = WINDOWS[window].response(0.5)  # between bins a line reads low
    spectrum, limits, peaks = _peaks_in_mask(survey, mask, window, lambda lines, most: lines > most * response)
    found = (_spur(spectrum, int(peak), limit) for peak, limit in zip(peaks, limits, strict=True))
    return tuple(sorted((spur for spur in found if spur.margin_db < 0), key=lambda spur: spur.margin_db))


@metric("spur_margin", reads=Reads.SPECTRUM, unit="dB", source="math: smallest ratio of mask and line")
def spur_margin(survey: Survey, *, mask: Sequence[Any], window: WindowName = "blackman_harris") -> Reading:
    """Spur margin: how far below a mask all lines but the strongest tone stay, in dB; negative where one is above.

    Definition
    ----------
    least 20·log10(mask(f) / A(f)) over all lines other than the strongest tone, within the mask.

    Parameters
    ----------
    mask : pairs of frequency and level, such as `[[100 kHz, 2 mV], [10 MHz, -60 dB]]`; dB are under the strongest tone.
    """
    spectrum, limits, peaks = _peaks_in_mask(survey, mask, window, lambda lines, most: [np.argmax(lines / most)])
    worst = int(np.argmax([spectrum.at(peak) / limit for peak, limit in zip(peaks.tolist(), limits, strict=True)]))
    tone = tone_at(spectrum, int(peaks[worst]))
    relative = tone.amplitude_uncertainty / tone.amplitude
    spur = _spur(spectrum, int(peaks[worst]), float(limits[worst]))
    doubts = (Doubt.NOISY,) if is_lost(tone) else ()
    return Reading(spur.margin_db, "dB", uncertainty=20 / log(10) * relative, doubts=doubts)


@metric("spurs_over_mask", reads=Reads.SPECTRUM, unit="count", source="math: lines above a mask, counted")
def spurs_over_mask(survey: Survey, *, mask: Sequence[Any], window: WindowName = "blackman_harris") -> Reading:
    """Spurs over mask: number of lines above a mask, the strongest tone not counted; `mask` as for `spur_margin`.

    Definition
    ----------
    number of peaks with A(f) > mask(f), within the mask.
    """
    try:
        found = spurs(survey, mask=mask, window=window)
        spectrum = amplitude_spectrum(survey, window=window)
        weakest = min(found, key=lambda spur: spur.amplitude, default=None)
        noisy = weakest is not None and is_lost(tone_at(spectrum, round(weakest.frequency / spectrum.step)))
        return Reading(float(len(found)), "count", doubts=(Doubt.NOISY,) if noisy else ())
    except _NoPeaks:
        return Reading(0.0, "count")


class _NoPeaks(NotMeasurable):
    """No line within the mask: none to measure, and none above it."""


def _peaks_in_mask(
    survey: Survey, points: object, window: WindowName, chosen: Callable[[Floats, Floats], Any]
) -> tuple[Spectrum, Floats, npt.NDArray[np.intp]]:
    """The spectrum, and limit and bin of peaks beside the strongest tone that the mask covers.

    Parameters
    ----------
    chosen : which peaks of some neighbouring ones, as an index of their amplitudes and limits; at least one peak each.
    """
    spectrum = amplitude_spectrum(survey, window=window)
    tone = find_strongest(survey, window=window)
    mask = read_mask(points, unit=survey.unit, reference=tone.amplitude)
    first, last = spectrum.span(mask.frequencies[0], mask.frequencies[-1])
    first = max(first, 1, spectrum.window.lobe)
    if first >= last:
        raise NotMeasurable(
            f"`{survey.name}`: the mask covers no line of the spectrum, which ends at "
            f"{spectrum.frequency_of(spectrum.count - 1):g} Hz",
            expected="a mask below half the sampling rate",
            do="raise `rate`",
        )
    limits, peaks = [], []
    for begin, end in spans(first, last):
        here, before, after = (spectrum.part(begin + by, end + by) for by in (0, -1, 1))
        after = np.append(after, np.zeros(here.size - after.size, after.dtype))  # beyond the last line
        found = begin + np.flatnonzero((here >= before) & (here >= after) & (here > 0))
        # the flanks of the strongest tone are not spurs
        found = found[np.abs(found - tone.cycles) > spectrum.window.lobe + 1]
        if found.size:
            most = mask.at(found * spectrum.step)
            which = chosen(here[found - begin], most)
            peaks.append(found[which])
            limits.append(most[which])
    if not peaks:
        raise _NoPeaks(f"`{survey.name}`: no line beside the strongest tone within the mask", expected="at least one")
    return spectrum, np.concatenate(limits), np.concatenate(peaks)


def _spur(spectrum: Spectrum, peak: int, limit: float) -> Spur:
    tone = tone_at(spectrum, peak)
    return Spur(tone.frequency, tone.amplitude, float(limit), amplitude_ratio_db(float(limit) / tone.amplitude))


def _level(level: object, unit: str, reference: float) -> float:
    if isinstance(level, str) and level.strip().endswith("dB"):
        return reference * amplitude_ratio(read_quantity(level, unit="dB").value)
    return _number(level, unit)


def _number(written: object, unit: str) -> float:
    if isinstance(written, str):
        return read_quantity(written, unit=unit).value
    if isinstance(written, bool) or not isinstance(written, (int, float)) or not math.isfinite(written):
        raise Misuse(f"`{written}` in a mask", expected=f"a number in {unit}")
    return float(written)
