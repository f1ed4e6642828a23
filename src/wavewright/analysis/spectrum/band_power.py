"""Power in a band of frequencies, and levels of a whole waveform in decibels."""

from __future__ import annotations

import math
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import log
from wavewright.analysis.elementary.sums import inner
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.blocks import DOT_BLOCK, spans
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.sense import NOT_NEGATIVE, POSITIVE
from wavewright.analysis.spectrum.decibels import DB_OF_RATIO, dbm, dbu, dbv
from wavewright.analysis.spectrum.spectrum import Spectrum, amplitude_spectrum
from wavewright.analysis.spectrum.windows import WindowName
from wavewright.errors import NotMeasurable

BESIDE = 64  # lines on either side of a band that the noise is taken from as well
STANDS_OUT = 20.0  # times the mean: a line of noise does so once in 5e8 lines (exp −20)


@metric("band_rms", reads=Reads.SPECTRUM, unit="", source="math: Parseval's theorem")
def band_rms(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    window: WindowName = "hann",
) -> Reading:
    """Band rms: rms of what the waveform holds between two frequencies.

    Definition
    ----------
    √(Σ A[k]²/2 / noise bandwidth) over the lines of the band; the mean counts with its square.

    Parameters
    ----------
    lowest, highest : Hz, both included; left out: 0 Hz, which is the mean, and half the sampling rate.

    Returns
    -------
    Reading in the waveform's unit. The uncertainty is that of noise in a record of this length; lines above the noise
    are taken as steady, with as much noise on them as on the others. A line within two bins of the band's ends is
    counted in part.
    """
    square, variance = _band(survey, lowest, highest, window)
    root = math.sqrt(square)
    return Reading(root, survey.unit, uncertainty=math.sqrt(variance) / (2 * root))


@metric("band_power", reads=Reads.SPECTRUM, unit="W", source="math: Parseval's theorem")
def band_power(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    impedance: Annotated[float, "ohm", POSITIVE] = 50.0,
    window: WindowName = "hann",
) -> Reading:
    """Band power: what a voltage drives into a resistance between two frequencies, both included.

    Definition
    ----------
    Σ A[k]²/2 / noise bandwidth / impedance over the lines of the band.

    Options as for `band_rms`; `impedance` is the resistance, ohm.
    """
    _require_volts(survey)
    square, variance = _band(survey, lowest, highest, window)
    return Reading(square / impedance, "W", uncertainty=math.sqrt(variance) / impedance)


@metric("level_dbv", reads=Reads.SPECTRUM, unit="dBV", source="math: 20·log10 of the rms over 1 V")
def level_dbv(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    window: WindowName = "hann",
) -> Reading:
    """Level in dBV: rms between two frequencies, both included, referred to 1 V; options as for `band_rms`.

    Definition
    ----------
    20·log10(rms / 1 V).
    """
    root, uncertainty_db = _level(survey, lowest, highest, window)
    return Reading(dbv(root), "dBV", uncertainty=uncertainty_db)


@metric(
    "level_dbu",
    reads=Reads.SPECTRUM,
    unit="dBu",
    source="common practice, no source: 0 dBu is the voltage of 1 mW in 600 ohm",
)
def level_dbu(
    survey: Survey,
    *,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    window: WindowName = "hann",
) -> Reading:
    """Level in dBu: rms between two frequencies, both included, referred to 0.7746 V; options as for `band_rms`.

    Definition
    ----------
    20·log10(rms / √0.6 V).
    """
    root, uncertainty_db = _level(survey, lowest, highest, window)
    return Reading(dbu(root), "dBu", uncertainty=uncertainty_db)


@metric("level_dbm", reads=Reads.SPECTRUM, unit="dBm", source="math: 10·log10 of the power over 1 mW")
def level_dbm(
    survey: Survey,
    *,
    impedance: Annotated[float, "ohm", POSITIVE] = 50.0,
    lowest: Annotated[float, "Hz", NOT_NEGATIVE] | None = None,
    highest: Annotated[float, "Hz", POSITIVE] | None = None,
    window: WindowName = "hann",
) -> Reading:
    """Level in dBm: power into `impedance`, ohm, between two frequencies, referred to 1 mW; options as for `band_rms`.

    Definition
    ----------
    10·log10(rms² / impedance / 1 mW).
    """
    root, uncertainty_db = _level(survey, lowest, highest, window)
    return Reading(dbm(root, impedance=impedance), "dBm", uncertainty=uncertainty_db)


def _level(survey: Survey, lowest: float | None, highest: float | None, window: WindowName) -> tuple[float, float]:
    """Rms in V, and the uncertainty of its level in dB."""
    _require_volts(survey)
    square, variance = _band(survey, lowest, highest, window)
    return math.sqrt(square), DB_OF_RATIO * math.sqrt(variance) / square


def _band(survey: Survey, lowest: float | None, highest: float | None, window: WindowName) -> tuple[float, float]:
    """Mean square in a band, unit², and its variance, unit⁴."""
    spectrum = amplitude_spectrum(survey, window=window)
    first, last = spectrum.span(lowest, highest)
    square, variance = _sums(spectrum, first, last)
    if not square > 0:
        raise NotMeasurable(
            f"`{survey.name}`: nothing in {last - first} lines of the spectrum, {spectrum.step:g} Hz apart",
            expected="a band below half the sampling rate that holds a line",
            do="widen the band, or lengthen `span`",
        )
    return square, variance


def _sums(spectrum: Spectrum, first: int, last: int) -> tuple[float, float]:
    total, of_noise = 0.0, 0.0
    for start, end in spans(first, last, DOT_BLOCK):
        lines = spectrum.mean_squares(start, end)
        total += float(lines.sum())
        near = spectrum.mean_squares(max(1, start - BESIDE), end + BESIDE)
        level = float(np.median(near)) / log(2) if near.size else 0.0
        is_noise = lines < STANDS_OUT * level
        noise, steady = lines[is_noise], lines[~is_noise]
        of_noise += inner(noise, noise) / 2  # half the mean square of an exponential variable is its variance
        of_noise += 2 * level * float(steady.sum())  # power of a steady line with noise on it: variance 2·S·N (math)
    return total, of_noise * spectrum.window.lines_in_one


def _require_volts(survey: Survey) -> None:
    if survey.unit != "V":
        raise NotMeasurable(f"`{survey.name}` is in {survey.unit}", expected="a voltage, in V")
