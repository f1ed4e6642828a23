"""What kind of signal is on a line: signals of known shape, each drawn here, with noise, offset and phase at random."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from wavewright.recognition.line_kind import LineSeen, recognise
from wavewright.recognition.recognised import Kind, Recognised
from wavewright.recognition.sentences import sentence
from wavewright.recognition.unlike import unlike
from wavewright.waveform import Waveform

Generator = np.random.Generator
TRIED = 40 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 10  # of each shape
POINTS = 20_000


def sampled(volts: np.ndarray[Any, Any], *, interval: float, generator: Generator, noise: float) -> Waveform:
    """Through a converter of 8 bits whose range has a tenth of room at either side."""
    volts = volts + generator.normal(0, noise, volts.size)
    low, high = float(volts.min()), float(volts.max())
    gain = max(1.2 * (high - low) / 255, 1e-4)
    middle = (low + high) / 2
    codes = np.clip(np.rint((volts - middle) / gain), -128, 127).astype(np.int8)
    return Waveform(codes, gain=gain, offset=middle, interval=interval, code_range=(-128, 127))


def phases(frequency: float, interval: float, generator: Generator) -> np.ndarray[Any, Any]:
    return (np.arange(POINTS) * interval * frequency + generator.random()) % 1.0


def flanks(phase: np.ndarray[Any, Any], duty: float, part: float) -> np.ndarray[Any, Any]:
    """A trapezoid between 0 and 1 whose flanks last a part of the period."""
    return np.clip(np.minimum(phase / part, (duty + part - phase) / part), 0, 1)


def sine(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    amplitude, frequency = 10 ** generator.uniform(-1, 1), 10 ** generator.uniform(2, 4)
    offset = generator.uniform(-1, 1) * amplitude
    volts = offset + amplitude * np.sin(2 * np.pi * phases(frequency, 1e-5, generator))
    wave = sampled(volts, interval=1e-5, generator=generator, noise=0.01 * amplitude)
    return wave, {"frequency": frequency, "low": offset - amplitude, "high": offset + amplitude}


def rectangular(generator: Generator, duty: float) -> tuple[Waveform, dict[str, float]]:
    frequency, low = 10 ** generator.uniform(2, 3.3), float(generator.uniform(-1, 1))
    high = low + 10 ** generator.uniform(-0.3, 1)
    part = generator.uniform(0.001, 0.02)
    volts = low + (high - low) * flanks(phases(frequency, 1e-5, generator), duty, part)
    wave = sampled(volts, interval=1e-5, generator=generator, noise=0.01 * (high - low))
    return wave, {"frequency": frequency, "duty_factor": duty, "low": low, "high": high}


def clock(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    return rectangular(generator, float(generator.uniform(0.465, 0.535)))


def pulses(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    return rectangular(generator, float(generator.choice([generator.uniform(0.1, 0.42), generator.uniform(0.58, 0.9)])))


def steady(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    level = float(generator.choice([-1, 1]) * generator.uniform(1, 24))
    volts = np.full(POINTS, level)
    return sampled(volts, interval=1e-5, generator=generator, noise=abs(level) * 1e-3), {"level": level}


def rippling(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    """A triangle on a level, as the current of a converter makes it."""
    level, ripple = float(generator.uniform(1, 24)), float(generator.uniform(0.005, 0.05))
    frequency = 10 ** generator.uniform(3, 4)
    phase = phases(frequency, 1e-6, generator)
    volts = level * (1 + ripple * (2 * np.abs(phase - 0.5) - 0.5))
    wave = sampled(volts, interval=1e-6, generator=generator, noise=level * ripple * 0.01)
    return wave, {"level": level, "ripple": ripple * level, "ripple_frequency": frequency}


def noise(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    return sampled(np.zeros(POINTS), interval=1e-5, generator=generator, noise=10 ** generator.uniform(-2, 0.5)), {}


def edge(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    at = int(generator.uniform(0.1, 0.9) * POINTS)
    volts = 3.3 * np.clip((np.arange(POINTS) - at) / generator.uniform(1, 200), 0, 1)
    if generator.random() < 0.5:
        volts = 3.3 - volts
    return sampled(volts, interval=1e-5, generator=generator, noise=0.02), {"low": 0.0, "high": 3.3}


def triangle(generator: Generator) -> tuple[Waveform, dict[str, float]]:
    frequency = 10 ** generator.uniform(2, 3.5)
    volts = 4 * np.abs(phases(frequency, 1e-5, generator) - 0.5) - 1
    return sampled(volts, interval=1e-5, generator=generator, noise=0.01), {"frequency": frequency}


SHAPES: dict[Kind, list[Callable[[Generator], tuple[Waveform, dict[str, float]]]]] = {
    Kind.SINE: [sine],
    Kind.CLOCK: [clock],
    Kind.PULSES: [pulses],
    Kind.STEADY: [steady, rippling],
    Kind.NOISE: [noise],
    Kind.EDGE: [edge],
    Kind.UNKNOWN: [triangle],
}
ALLOWED = {"frequency": 0.002, "ripple_frequency": 0.002, "duty_factor": 0.03, "level": 0.01, "ripple": 0.15}


def far_off(found: Recognised, truth: dict[str, float]) -> list[str]:
    amplitude = abs(truth.get("high", 0.0) - truth.get("low", 0.0))
    wrong = []
    for name, value in truth.items():
        seen = getattr(found, name)
        allowed = 0.06 * amplitude if name in ("low", "high") else ALLOWED[name] * abs(value)
        if seen is None or abs(seen - value) > allowed:
            wrong.append(f"{name} {seen} for {value}")
    return wrong


@pytest.mark.parametrize("kind", SHAPES)
def test_a_signal_of_known_shape_is_named_with_its_numbers(kind: Kind) -> None:
    wrong = []
    for shape in SHAPES[kind]:
        for seed in range(TRIED):
            wave, truth = shape(np.random.default_rng(seed))
            found = recognise(LineSeen([wave]))
            if found.kind is not kind or far_off(found, truth):
                wrong.append(f"{shape.__name__} {seed}: {found.kind} {far_off(found, truth)}")
    print(f"{kind}: {TRIED * len(SHAPES[kind])} tried, {len(wrong)} wrong")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("kind", [Kind.STEADY, Kind.NOISE, Kind.NOTHING])
def test_a_line_that_does_not_repeat_itself_never_has_a_frequency(kind: Kind) -> None:
    for seed in range(TRIED):
        generator = np.random.default_rng(1000 + seed)
        shape = {Kind.STEADY: steady, Kind.NOISE: noise}.get(kind)
        if shape is None:
            wave = Waveform(generator.integers(-1, 2, POINTS).astype(np.int8), gain=0.001, interval=1e-6)
        else:
            wave, _ = shape(generator)
        found = recognise(LineSeen([wave]))
        assert found.kind is kind, seed
        assert found.frequency is None
        assert found.ripple_frequency is None


def test_a_train_of_bursts_does_not_pose_as_a_train_of_pulses() -> None:
    """A coarse record shows a burst of eight periods as one pulse; a fine one shows it as what it is."""
    fine = np.zeros(500_000)
    for start in range(0, 500_000, 50_000):
        for pulse in range(8):
            fine[start + 100 + 40 * pulse : start + 120 + 40 * pulse] = 3.3
    generator = np.random.default_rng(3)
    coarse = sampled(fine[::40], interval=40e-7, generator=generator, noise=0.01)
    burst = sampled(fine[:2000], interval=1e-7, generator=generator, noise=0.01)
    assert recognise(LineSeen([coarse], [burst])).frequency is None
    assert recognise(LineSeen([coarse], [burst])).kind is Kind.PULSES


def test_each_kind_has_a_sentence() -> None:
    said = Counter(
        sentence(recognise(LineSeen([shape(np.random.default_rng(1))[0]]))).split()[0]
        for shapes in SHAPES.values()
        for shape in shapes
    )
    assert said == Counter({"sine": 1, "clock": 1, "pulses": 1, "steady": 2, "noise": 1, "one": 1, "unknown": 1})


def test_the_one_that_is_unlike_the_others_is_named() -> None:
    pile = [recognise(LineSeen([steady(np.random.default_rng(seed))[0]])) for seed in (1, 1, 1, 1)]
    pile.append(recognise(LineSeen([sine(np.random.default_rng(1))[0]])))
    assert unlike(pile) == ["", "", "", "", "most are steady"]
    far = Recognised(Kind.STEADY, level=2 * (pile[0].level or 0))
    assert unlike([*pile[:4], far])[4].startswith("level: of most ")
    assert unlike(pile[3:]) == ["", ""]  # two are no pile
