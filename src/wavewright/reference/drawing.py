"""The definition of a metric on an example waveform, measured and drawn by this package."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from html import escape
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.quantities import show_quantity
from wavewright.reporting.outline import outline
from wavewright.reporting.palette import BLUE, SKY_BLUE, VERMILION
from wavewright.waveform import Waveform

WIDTH, HEIGHT, LEFT, TOP = 640.0, 220.0, 70.0, 14.0
INTERVAL = 1e-8
LABEL = 'text-anchor="end" fill="currentColor"'
LEVELS = frozenset({"maximum", "minimum", "mean", "cycle_mean", "high_level", "low_level", "final_value"})
Samples = npt.NDArray[np.float64]
MOST_SPANS = 6
"""More occurrences than that are not drawn; they would hide the trace."""


def _step(time: Samples) -> Samples:
    """From 0 V to 3.3 V at 10 us, as a resonance of second order has it."""
    damping, rate = 0.4, 2 * np.pi * 0.4e6
    after = np.clip(time - 1e-5, 0, None)
    ringing = rate * np.sqrt(1 - damping**2)
    sine = damping / np.sqrt(1 - damping**2) * np.sin(ringing * after)
    return np.where(after > 0, 3.3 * (1 - np.exp(-damping * rate * after) * (np.cos(ringing * after) + sine)), 0.0)


def _fall(time: Samples) -> Samples:
    return 3.3 - _step(time)


def _pulses(time: Samples) -> Samples:
    """Pulses of 3.3 V, 4 us long every 10 us, that rise and fall within 1 us."""
    phase = (time - 2e-6) % 1e-5
    return 3.3 * np.clip(np.minimum(phase / 1e-6, (5e-6 - phase) / 1e-6), 0, 1)


def _sine(time: Samples) -> Samples:
    return 1.5 + np.sin(2 * np.pi * 1e5 * time)


def _decay(time: Samples) -> Samples:
    return 3.3 * (1 - np.exp(-np.clip(time - 5e-6, 0, None) / 6e-6))


def _dip(time: Samples) -> Samples:
    after = np.clip(time - 1e-5, 0, None)
    return 3.3 - np.where(after > 0, 0.9 * np.exp(-after / 5e-6) * np.sin(after / 2e-6 + 0.6), 0.0)


Shape = Callable[[Samples], Samples]
_STEPS = ("settling_time", "overshoot", "final_value", "high_level", "low_level", "amplitude")
_PULSES = (
    "rise_time", "fall_time", "slew_rate", "period", "frequency", "positive_pulse_width", "negative_pulse_width",
    "duty_factor", "longest_pulse", "shortest_pulse", "pulses", "cycles", "rising_edges", "falling_edges",
    "time_above", "time_below", "time_between",
)  # fmt: skip
_SINES = (
    "maximum",
    "minimum",
    "peak_to_peak",
    "mean",
    "cycle_mean",
    "rms",
    "ac_rms",
    "sine_amplitude",
    "sine_frequency",
    "sine_offset",
)
EXAMPLES: Mapping[str, tuple[Shape, ...]] = MappingProxyType(
    dict.fromkeys(_STEPS, (_step,))
    | dict.fromkeys(_PULSES, (_pulses,))
    | dict.fromkeys(_SINES, (_sine,))
    | {"undershoot": (_fall,), "time_constant": (_decay,), "load_step_dip": (_dip,), "recovery_time": (_dip,)}
    | dict.fromkeys(("delay", "skew", "phase"), (_pulses, lambda time: _pulses(time - 1.5e-6)))
)
"""The example waveforms of the metrics that a drawing helps to understand."""
OPTIONS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "time_above": {"level": "1.65 V"},
        "time_below": {"level": "1.65 V"},
        "time_between": {"from": "rising 1 V", "to": "falling 1 V"},
        "load_step_dip": {"step": "10 us"},
        "recovery_time": {"band": "5 %", "step": "10 us"},
    }
)


def drawing(name: str) -> str:
    """SVG of the metric on its example: trace, levels that it takes, each occurrence, the value; "" if it has none."""
    if name not in EXAMPLES:
        return ""
    time: Samples = np.arange(4000, dtype=np.float64) * INTERVAL
    waves = [
        Waveform.from_volts(shape(time), interval=INTERVAL, name=channel)
        for shape, channel in zip(EXAMPLES[name], ("first", "second"), strict=False)
    ]
    options: dict[str, Any] = dict(OPTIONS.get(name, {}))
    reading = measure(waves if len(waves) > 1 else waves[0], name, **options)
    if isinstance(reading, dict) or reading.value is None:
        return ""
    told = f"{name} = {show_quantity(reading.value, reading.unit)}"
    height = HEIGHT * len(waves)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height + 24:g}" role="img" font-size="12" '
        f'font-family="sans-serif"><title>{escape(told)}</title>'
    ]
    for number, wave in enumerate(waves):
        parts += _row(wave, TOP + number * HEIGHT, _levels(name, wave, reading, options), _spans(reading))
    parts.append(_text(LEFT, height + 18, told, 'font-weight="bold" fill="currentColor"'))
    return "\n".join([*parts, "</svg>"])


def _levels(name: str, wave: Waveform, reading: Reading, options: Mapping[str, str]) -> Iterator[tuple[float, str]]:
    """The levels whose crossings it takes, and the value itself where that is a level."""
    metric = METRICS.find(name)
    defaults = [parameter.default for parameter in metric.parameters if parameter.name not in options]
    survey = Survey(wave)
    for option in [*metric.options(dict(options)).values(), *defaults]:
        level = option.level if isinstance(option, Condition) else option
        if isinstance(level, ReferenceLevel):
            yield survey.level(level), str(level)
    if reading.unit == wave.unit and reading.value is not None and name in LEVELS:
        yield reading.value, name


def _spans(reading: Reading) -> Sequence[tuple[float, float]]:
    """From when to when each occurrence lasts; none where they are not times."""
    if reading.unit != "s" or reading.occurrences is None:
        return ()
    times, values = reading.occurrences.times[:MOST_SPANS], reading.occurrences.values[:MOST_SPANS]
    return [(float(time), float(time + value)) for time, value in zip(times, values, strict=True)]


def _row(
    wave: Waveform, top: float, levels: Iterator[tuple[float, str]], spans: Sequence[tuple[float, float]]
) -> Iterator[str]:
    drawn = outline(wave, stretches=600)
    low, high = float(drawn.values.min()), float(drawn.values.max())
    margin = 0.1 * (high - low)
    tall, wide = HEIGHT - 20, WIDTH - LEFT - 10
    span = len(wave) * wave.interval

    def x(time: float) -> float:
        return LEFT + wide * (time - wave.start) / span

    def y(value: float) -> float:
        return top + tall * (high + margin - value) / (high - low + 2 * margin)

    yield f'<rect x="{LEFT:g}" y="{top:g}" width="{wide:g}" height="{tall:g}" fill="none" stroke="#8a8a86"/>'
    for first, last in spans:
        yield (
            f'<rect x="{x(first):.1f}" y="{top:g}" width="{max(1.0, x(last) - x(first)):.1f}" height="{tall:g}" '
            f'fill="{SKY_BLUE}" opacity="0.3"/>'
        )
    for value, label in levels:
        yield f'<path d="M{LEFT:g} {y(value):.1f} h{wide:g}" stroke="{BLUE}" stroke-dasharray="5 4" fill="none"/>'
        yield _text(LEFT + wide - 4, y(value) - 3, label, f'text-anchor="end" fill="{BLUE}"')
    for value in (low, high):
        yield _text(LEFT - 6, y(value) + 4, show_quantity(value, wave.unit, resolution=(high - low) / 100), LABEL)
    points = (f"{x(drawn.start + k * drawn.step):.1f},{y(float(value)):.1f}" for k, value in enumerate(drawn.values))
    yield f'<polyline points="{" ".join(points)}" fill="none" stroke="{VERMILION}" stroke-width="1.5"/>'


def _text(left: float, base: float, text: str, look: str) -> str:
    return f'<text x="{left:.1f}" y="{base:.1f}" {look}>{escape(text)}</text>'
