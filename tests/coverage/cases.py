"""What is measured, on which signal, and what is true: everyday metrics, each where it makes sense."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from tests.coverage.digitizer import INTERVAL, Digitizer
from tests.coverage.signals import Exponentials, Signal, Sine, Trapezoids


@dataclass(frozen=True)
class Scene:
    """What is in front of the digitizer for one capture: a signal, the same signal later on the second input."""

    signal: Signal
    delay: float
    first: float  # the stretch of time that the record stands for, s, true time
    last: float


@dataclass(frozen=True, eq=False)
class Case:
    """One metric on one kind of signal; `truth` is in the metric's unit."""

    metric: str
    shape: str
    truth: Callable[[Scene], float]
    options: Mapping[str, object] = field(default_factory=dict)
    channels: int = 1
    word: str = ""

    @property
    def name(self) -> str:
        return f"{self.metric}{f' ({self.word})' if self.word else ''}"


def scene(shape: str, rng: np.random.Generator, *, size: int, digitizer: Digitizer) -> Scene:
    """A signal with everything about it drawn anew, the sampling phase included."""
    uniform = rng.uniform
    period = INTERVAL * (uniform(110, 190) if size <= 1000 else uniform(150, 600))
    if shape in ("sine", "distorted"):
        share = uniform(0.02, 0.08) if shape == "distorted" else 0.0
        turns = uniform(0, 2 * math.pi, 2)
        signal: Signal = Sine(uniform(-0.4, 0.4), uniform(2.2, 3.0), period, turns[0], share, turns[1])
    else:
        low, high = uniform(-3.0, -1.5), uniform(1.5, 2.6)
        if shape == "exponentials":
            tau = period / uniform(36, 44)
            signal = Exponentials(low, high, tau, period * uniform(0.42, 0.58), period, uniform(-period, 0))
        else:
            rise, fall = uniform(0.05, 0.12, 2) * period
            signal = Trapezoids(low, high, rise, fall, period * uniform(0.35, 0.65), period, uniform(-period, 0))
            if shape == "bumps":
                bump_time = period * uniform(0.02, 0.03)
                signal = Trapezoids(
                    low, high, rise, rise, period * uniform(0.45, 0.55), period, uniform(-period, 0),
                    uniform(0.05, 0.15), bump_time,
                )  # fmt: skip
    rate = INTERVAL * (1 + digitizer.timebase)
    return Scene(signal, period * uniform(0.05, 0.2), -rate / 2, (size - 0.5) * rate)


def _sines() -> list[Case]:
    def cases(metric: str, truth: Callable[[Sine], float], **how: object) -> Case:
        return Case(metric, "sine", lambda scene: truth(scene.signal), **how)  # type: ignore[arg-type]

    return [
        cases("maximum", lambda s: s.offset + s.amplitude),
        cases("minimum", lambda s: s.offset - s.amplitude),
        cases("peak_to_peak", lambda s: 2 * s.amplitude),
        cases("high_level", lambda s: s.offset + s.amplitude),
        cases("low_level", lambda s: s.offset - s.amplitude),
        cases("amplitude", lambda s: 2 * s.amplitude),
        cases("period", lambda s: s.period),
        cases("frequency", lambda s: 1 / s.period),
        cases("positive_pulse_width", lambda s: s.period / 2),
        cases("negative_pulse_width", lambda s: s.period / 2),
        cases("duty_factor", lambda s: 0.5),
        cases("rise_time", lambda s: math.asin(0.8) / math.pi * s.period),
        cases("fall_time", lambda s: math.asin(0.8) / math.pi * s.period),
        cases("slew_rate", lambda s: 1.6 * s.amplitude / (math.asin(0.8) / math.pi * s.period)),
        cases("cycle_mean", lambda s: s.offset),
        cases("cycle_rms", lambda s: math.hypot(s.offset, s.amplitude / math.sqrt(2))),
        cases("ripple", lambda s: 2 * s.amplitude),
        cases("strongest_tone", lambda s: 1 / s.period),
        cases("strongest_tone_amplitude", lambda s: s.amplitude),
        cases("sine_frequency", lambda s: 1 / s.period),
        cases("sine_amplitude", lambda s: s.amplitude),
        cases("sine_offset", lambda s: s.offset),
        Case("delay", "sine", lambda scene: scene.delay, channels=2),
        Case("time_between", "sine", lambda scene: scene.delay, {"from": "rising 50 %", "to": "rising 50 %"}, 2, "two"),
        cases(
            "time_between", lambda s: s.period / 2, options={"from": "rising 50 %", "to": "falling 50 %"}, word="one"
        ),
        Case("phase", "sine", lambda scene: -360 * scene.delay / scene.signal.period, channels=2),
        Case("phase_delay", "sine", lambda scene: scene.delay, channels=2),
        Case("gain", "sine", lambda scene: 1.0, channels=2),
        Case("thd", "distorted", lambda scene: scene.signal.share),  # type: ignore[union-attr]
        Case("strongest_tone", "distorted", lambda scene: 1 / scene.signal.period),
    ]


def _trains(shape: str) -> list[Case]:
    def cases(metric: str, truth: Callable[[Signal], float], **how: object) -> Case:
        return Case(metric, shape, lambda scene: truth(scene.signal), **how)  # type: ignore[arg-type]

    def rise(s: Trapezoids | Exponentials) -> float:
        return 0.8 * s.rise if isinstance(s, Trapezoids) else s.tau * math.log(9)

    def fall(s: Trapezoids | Exponentials) -> float:
        return 0.8 * s.fall if isinstance(s, Trapezoids) else s.tau * math.log(9)

    crossings = {"from": "rising 0.5 V", "to": "falling 0.5 V"}

    def above(s: Trapezoids | Exponentials) -> float:
        """Time from rising 0.5 V to falling 0.5 V."""
        share = (0.5 - s.low) / (s.high - s.low)
        if isinstance(s, Trapezoids):
            return s.width + (s.rise + s.fall) * (0.5 - share)
        return s.width + s.tau * (math.log(1 - share) - math.log(share))

    return [
        cases("maximum", lambda s: s.high),
        cases("minimum", lambda s: s.low),
        cases("peak_to_peak", lambda s: s.high - s.low),
        cases("high_level", lambda s: s.high),
        cases("low_level", lambda s: s.low),
        cases("amplitude", lambda s: s.high - s.low),
        cases("period", lambda s: s.period),
        cases("frequency", lambda s: 1 / s.period),
        cases("positive_pulse_width", lambda s: s.width),
        cases("negative_pulse_width", lambda s: s.period - s.width),
        cases("shortest_pulse", lambda s: s.width),
        cases("longest_pulse", lambda s: s.width),
        cases("duty_factor", lambda s: s.width / s.period),
        cases("rise_time", rise),
        cases("fall_time", fall),
        cases("slew_rate", lambda s: 0.8 * (s.high - s.low) / rise(s)),
        Case("mean", shape, lambda scene: scene.signal.mean(scene.first, scene.last)),
        Case("rms", shape, lambda scene: math.sqrt(scene.signal.mean_square(scene.first, scene.last))),
        Case(
            "ac_rms",
            shape,
            lambda scene: math.sqrt(
                scene.signal.mean_square(scene.first, scene.last) - scene.signal.mean(scene.first, scene.last) ** 2
            ),
        ),
        cases("cycle_mean", lambda s: s.mean(0.0, s.period)),
        cases("cycle_rms", lambda s: math.sqrt(s.mean_square(0.0, s.period))),
        cases("time_between", lambda s: s.width, options={"from": "rising 50 %", "to": "falling 50 %"}, word="one"),
        cases("time_between", above, options=crossings, word="volts"),
        Case("time_between", shape, lambda scene: scene.delay, {"from": "rising 50 %", "to": "rising 50 %"}, 2, "two"),
        Case("delay", shape, lambda scene: scene.delay, channels=2),
    ]


CASES: tuple[Case, ...] = (
    *_sines(),
    Case("mean", "sine", lambda scene: scene.signal.mean(scene.first, scene.last)),
    Case("rms", "sine", lambda scene: math.sqrt(scene.signal.mean_square(scene.first, scene.last))),
    *_trains("trapezoids"),
    *_trains("exponentials"),
    Case("time_constant", "exponentials", lambda scene: scene.signal.tau),  # type: ignore[union-attr]
    Case("overshoot", "bumps", lambda scene: scene.signal.bump),  # type: ignore[union-attr]
    Case("high_level", "bumps", lambda scene: scene.signal.high),  # type: ignore[union-attr]
    Case(
        "maximum", "bumps", lambda scene: scene.signal.high + scene.signal.bump * (scene.signal.high - scene.signal.low)
    ),
)
