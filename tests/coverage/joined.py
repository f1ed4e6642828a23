"""Readings together: their difference, the mean of shots, and readings after calibration has corrected the scale."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

import wavewright as ww
from tests.coverage.cases import scene
from tests.coverage.digitizer import Digitizer
from tests.coverage.signals import Trapezoids
from tests.coverage.tally import Condition, Tally
from wavewright.analysis.uncertainty.budget import difference
from wavewright.judgement.joining import joined
from wavewright.waveform import Waveform

SHOTS = 16
MEANT = {  # metrics, and what is true of the signal
    "high_level": lambda signal: signal.high,
    "amplitude": lambda signal: signal.high - signal.low,
    "period": lambda signal: signal.period,
    "positive_pulse_width": lambda signal: signal.width,
    "rise_time": lambda signal: 0.8 * signal.rise,
    "maximum": lambda signal: signal.high,
    "cycle_mean": lambda signal: signal.mean(0.0, signal.period),
}

CORRECTED = {"gain": 0.0005, "offset": 0.002, "skew": 0.1e-9, "timebase": 1e-6}  # standard uncertainties that are left


def _drawn(condition: Condition, number: int, word: str) -> tuple[np.random.Generator, Digitizer, Trapezoids]:
    rng = np.random.default_rng([number, condition.size, condition.bits, *word.encode()])
    digitizer = Digitizer.drawn(condition.sheet, rng)
    signal = scene("trapezoids", rng, size=condition.size, digitizer=digitizer).signal
    assert isinstance(signal, Trapezoids)
    return rng, digitizer, signal


def differences(condition: Condition, numbers: Sequence[int]) -> dict[str, Tally]:
    """High less low level, and the levels of two signals after each other on one input: gain and offset are shared."""
    found = {"high less low level": Tally(), "change of the high level": Tally(), "change of the width": Tally()}
    stated = condition.sheet.stated()
    for number in numbers:
        rng, digitizer, signal = _drawn(condition, number, "differences")
        later = replace(signal, high=signal.high - 0.1, width=signal.width * 1.02, begin=rng.uniform(-1, 0) * 1e-6)
        waves = [digitizer.take(one, rng, size=condition.size, bits=condition.bits) for one in (signal, later)]
        before, after = (
            ww.measure(wave, ["high_level", "low_level", "positive_pulse_width"], accuracy=stated) for wave in waves
        )
        for name, pair, truth in (
            ("high less low level", (before["high_level"], before["low_level"]), signal.high - signal.low),
            ("change of the high level", (before["high_level"], after["high_level"]), 0.1),
            (
                "change of the width",
                (after["positive_pulse_width"], before["positive_pulse_width"]),
                later.width - signal.width,
            ),
        ):
            budgets = [one.budget for one in pair]
            assert budgets[0] is not None
            assert budgets[1] is not None
            whole = difference(budgets[0], budgets[1])
            found[name].count(ww.Reading(whole.value, whole.unit, budget=whole), truth)
    return found


def means_of_shots(condition: Condition, numbers: Sequence[int]) -> dict[str, Tally]:
    """`over: mean` of 16 shots of one instrument, of which only noise and phase are new."""
    return _of_shots(condition, numbers, SHOTS, lambda wave, digitizer, rng: wave, condition.sheet.stated())


def corrected(condition: Condition, numbers: Sequence[int]) -> dict[str, Tally]:
    """One shot of an instrument whose errors a calibration has found, each to a standard uncertainty."""

    def correct(wave: Waveform, digitizer: Digitizer, rng: np.random.Generator) -> Waveform:
        """What a corrections file does: volts (v + offset)·(1 + gain), times t·(1 + timebase)."""
        gain = 1 / (1 + digitizer.gains[0]) - 1 + rng.normal(0, CORRECTED["gain"])
        offset = -digitizer.offsets[0] + rng.normal(0, CORRECTED["offset"])
        timebase = digitizer.timebase + rng.normal(0, CORRECTED["timebase"])
        return replace(
            wave,
            gain=wave.gain * (1 + gain),
            offset=(wave.offset + offset) * (1 + gain),
            interval=wave.interval * (1 + timebase),
        )

    sheet = condition.sheet
    stated = ww.Accuracy(
        gain=sheet.gain, offset=sheet.offset, timebase=sheet.timebase, noise_floor=sheet.noise, bandwidth=100e9,
        corrected=CORRECTED, instrument="digitizer",
    )  # fmt: skip
    return _of_shots(condition, numbers, 1, correct, stated)


def _of_shots(
    condition: Condition,
    numbers: Sequence[int],
    shots: int,
    correct: Callable[[Waveform, Digitizer, np.random.Generator], Waveform],
    stated: ww.Accuracy,
) -> dict[str, Tally]:
    found = {name: Tally() for name in MEANT}
    for number in numbers:
        rng, digitizer, signal = _drawn(condition, number, "shots")
        readings: list[Mapping[str, ww.Reading]] = []
        for _ in range(shots):
            shot = replace(signal, begin=rng.uniform(-signal.period, 0))
            wave = digitizer.take(shot, rng, size=condition.size, bits=condition.bits)
            readings.append(ww.measure(correct(wave, digitizer, rng), list(MEANT), accuracy=stated))
        for name, truth in MEANT.items():
            each = [one[name] for one in readings]
            found[name].count(joined(each, "mean") if shots > 1 else each[0], truth(signal))
    return found


SETS: Mapping[str, Callable[[Condition, Sequence[int]], dict[str, Tally]]] = {
    "difference": differences,
    "mean of 16": means_of_shots,
    "corrected": corrected,
}
