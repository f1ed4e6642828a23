"""Frequencies that a recipe states, and that are not those of the signal, or are beyond what the record can show."""

from __future__ import annotations

import math

from wavewright.analysis.doubts import Doubt, Finding, Reads
from wavewright.analysis.examined_reading import ENOUGH, Read
from wavewright.analysis.spectrum.spectrum import Spectrum, amplitude_spectrum
from wavewright.analysis.spectrum.tones import Tone, highest_peak, is_lost, tone_at
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity

STATED = ("frequency", "fundamental")  # options of metrics that read a spectrum, Hz
NEEDS_A_TONE = ("ripple", "sinad", "enob")  # with `frequency`; every metric with `fundamental` does
MOST_OFF = 0.1  # cycles over the record: a sine held there loses 2 % (math: sin πd/πd); common practice, no source
NEIGHBOURHOOD = 1.5  # times the frequency, up and down: a tone further away was hardly meant
USUAL_HARMONICS = 10
SEARCHES = ("ripple", "switching_frequency")  # `highest` bounds where they look for a tone, and they have found one
TONES = ("strongest_tone", "strongest_tone_amplitude")  # `lowest` keeps them away from the mean
NOT_SUMS = ("strongest_tone", "noise_density")  # what is added to the band may move them either way
ROUNDING = 1e-9


def off_frequency(read: Read) -> Finding | None:
    """A tone beside the stated frequency; for metrics that need one there, also one that is further away."""
    name = next((name for name in STATED if isinstance(read.options.get(name), float)), "")
    if not name or read.reading.value is None or Reads.SPECTRUM not in read.parts:
        return None
    stated = read.options[name]
    try:
        spectrum = amplitude_spectrum(read.surveys[0])
    except NotMeasurable:
        return None
    place, lobe = stated / spectrum.step, spectrum.window.lobe
    if not 2 * lobe + 1 <= place < spectrum.count - lobe:
        return None  # so few cycles, or so near to half the rate, that a line is not on its own
    tone = _tone(spectrum, round(place) - lobe - 1, round(place) + lobe + 2)
    if tone is None and (name == "fundamental" or read.metric in NEEDS_A_TONE):
        first, last = int(place / NEIGHBOURHOOD), int(place * NEIGHBOURHOOD) + 1
        tone = _tone(spectrum, max(2 * lobe, first), last)
    if tone is None:
        return None
    off = abs(tone.cycles - place)
    if off <= _most_off(read, name) or off <= ENOUGH * tone.frequency_uncertainty / spectrum.step:
        return None
    shown = [show_quantity(one, "Hz", resolution=0.1 * spectrum.step) for one in (stated, tone.frequency)]
    return Finding(Doubt.OFF_FREQUENCY, f"`{name}` is {shown[0]}, and the tone of the record is at {shown[1]}")


def unseen_band(read: Read) -> Finding | None:
    """A band that reaches beyond half the rate, or is a level's and begins below one period in the record."""
    if read.reading.value is None or Reads.SPECTRUM not in read.parts or read.metric in SEARCHES:
        return None
    wave = read.surveys[0].wave
    lowest, highest = (read.options.get(end) for end in ("lowest", "highest"))
    half, duration = 0.5 / wave.interval, len(wave) * wave.interval
    if isinstance(highest, float) and highest > half * (1 + ROUNDING):
        doubt = Doubt.UNDERSAMPLED
        text = f"`highest` is {show_quantity(highest, 'Hz')}, and half the rate is {show_quantity(half, 'Hz')}"
    elif isinstance(lowest, float) and 0 < lowest * duration < 1 - ROUNDING and read.metric not in TONES:
        doubt = Doubt.FEW_CYCLES
        lasting = show_quantity(duration, "s")
        text = f"`lowest` is {show_quantity(lowest, 'Hz')}, and a record of {lasting} has no period of it"
    else:
        return None
    if read.metric in NOT_SUMS:
        return Finding(doubt, text)
    return Finding(doubt, text, below=0.0, above=math.inf, decides=False)  # there may be more


def _tone(spectrum: Spectrum, first: int, last: int) -> Tone | None:
    """The highest line that is a peak, between two bins, and that noise cannot have made."""
    peak = highest_peak(spectrum, max(first, 1), min(last, spectrum.count))
    if peak is None or not spectrum.at(peak):
        return None
    tone = tone_at(spectrum, peak)
    return None if is_lost(tone) else tone


def _most_off(read: Read, name: str) -> float:
    """In cycles over the record; a harmonic is off by its number times that, and must stay within a line."""
    if name == "frequency":
        return MOST_OFF
    numbers = (read.options.get(option) for option in ("harmonics", "harmonic"))
    return min(MOST_OFF, 1 / max((one for one in numbers if isinstance(one, int)), default=USUAL_HARMONICS))
