"""Every metric of the catalogue on every kind of record that breaks programs: a right number or a reason."""

from __future__ import annotations

import math
import typing
from collections.abc import Callable
from enum import StrEnum
from typing import Annotated, Any, Literal

import numpy as np
import pytest

from wavewright.analysis.catalogue import Metric, Parameter, metrics
from wavewright.analysis.measure import measure
from wavewright.analysis.parameters import Condition, ReferenceLevel
from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

INTERVAL = 1e-6


def square(n: int = 2000, period: int = 100, low: float = -50, high: float = 50) -> np.ndarray:
    return np.where(np.arange(n) % period < period // 2, high, low).astype(np.float64)


def _wave(codes: Any, dtype: Any = np.float64, **scale: Any) -> Waveform:
    return Waveform(np.asarray(codes).astype(dtype), interval=INTERVAL, name="probe", **scale)


def noisy(n: int = 2000) -> np.ndarray:
    return np.clip(square(n) / 2 + np.random.default_rng(5).normal(0, 25, n), -128, 127).round()


def with_holes() -> np.ndarray:
    volts = square()
    volts[100:110] = np.nan
    volts[555] = np.inf
    volts[-1] = np.nan
    return volts


RECORDS: dict[str, Callable[[], Waveform]] = {
    "empty": lambda: _wave([], np.int8),
    "empty float": lambda: _wave([]),
    "one sample": lambda: _wave([7], np.int8),
    "two samples": lambda: _wave([0, 7], np.int8),
    "two equal samples": lambda: _wave([3.3, 3.3]),
    "constant": lambda: _wave(np.full(1000, 12), np.int8),
    "constant float": lambda: _wave(np.full(1000, 0.1)),
    "zeros": lambda: _wave(np.zeros(1000), np.int8),
    "one edge": lambda: _wave(np.repeat([0, 100], 500), np.int8),
    "one falling edge": lambda: _wave(np.repeat([100, 0], 500), np.int16),
    "all clipped": lambda: _wave(np.full(1000, 127), np.int8, code_range=(-128, 127)),
    "clipped square": lambda: _wave(square(low=-128, high=127), np.int8, code_range=(-128, 127)),
    "all NaN": lambda: _wave(np.full(100, np.nan)),
    "NaN inside": lambda: _wave(with_holes()),
    "infinite inside": lambda: _wave(np.where(np.arange(2000) % 700 == 3, np.inf, square())),
    "1-bit codes": lambda: _wave(square(low=0, high=1), np.uint8, gain=3.3),
    "non-coherent sine": lambda: _wave(100 * np.sin(2 * np.pi * 10.37 * np.arange(2000) / 2000), np.int8),
    "heavily noisy": lambda: _wave(noisy(), np.int8, gain=0.01),
    "only noise": lambda: _wave(np.random.default_rng(6).normal(0, 10, 2000), np.int16),
    "huge offset": lambda: _wave(square(), np.int8, gain=1e-6, offset=1e6),
    "huge offset float": lambda: _wave(square() + 1e9),
    "tiny": lambda: _wave(square() * 1e-300),
    "not starting at 0": lambda: _wave(square(), np.int8, start=-1234.5),
    "inverting": lambda: _wave(square(), np.int8, gain=-0.02, offset=1.0),
    "every other sample": lambda: Waveform(
        np.repeat(square(), 2).astype(np.int8)[::2], interval=INTERVAL, name="probe"
    ),
    "big endian": lambda: _wave(square(), ">i2"),
    **{
        f"square of {np.dtype(dtype)}": lambda dtype=dtype: _wave(square(low=0, high=100), dtype)  # type: ignore[misc]
        for dtype in (np.int8, np.uint8, np.int16, np.uint16, np.int32, np.int64, np.float32, np.float64)
    },
}

# what a metric of this type of option is given where it has no default
WRITTEN: dict[Any, object] = {
    Condition: "rising 50 %",
    ReferenceLevel: "50 %",
    float: 1e-5,
    int: 1,
    str: "x",
    bool: False,
}

# options that no type can tell, by metric
OPTIONS: dict[str, dict[str, object]] = {
    **{name: {"mask": [["1 kHz", "10 V"], ["400 kHz", "10 V"]]} for name in ("spur_margin", "spurs_over_mask")},
    "phase_jitter": {"lowest": "10 kHz", "highest": "100 kHz"},
}


def required(parameter: Parameter) -> object:
    annotation = parameter.annotation
    if typing.get_origin(annotation) is Annotated:
        return {"Hz": 10e3, "s": 10e-6, "V": 1.0, "ohm": 50.0, "1": 0.1, "F": 1e-11}.get(
            typing.get_args(annotation)[1], 1.0
        )
    if typing.get_origin(annotation) is Literal:
        return typing.get_args(annotation)[0]
    if isinstance(annotation, type) and issubclass(annotation, StrEnum):
        return str(next(iter(annotation)))
    return WRITTEN.get(annotation, 1.0)


def measured(entry: Metric, wave: Waveform, others: Waveform | None = None) -> Reading:
    waves = [wave] if entry.channels[0] == 1 else [wave, *[others or wave] * (entry.channels[0] - 1)]
    options = {p.name: required(p) for p in entry.parameters if p.is_required} | OPTIONS.get(entry.name, {})
    return measure(waves if len(waves) > 1 else wave, entry.name, **options)


@pytest.mark.parametrize("name", list(metrics()))
def test_a_hard_record_gives_a_number_or_a_reason(name: str) -> None:
    faults = {record: fault_in(measured(metrics()[name], make())) for record, make in RECORDS.items()}
    assert not {record: fault for record, fault in faults.items() if fault}


def fault_in(reading: Reading) -> str:
    """What is wrong with a reading; empty if nothing is."""
    numbers = [reading.value, reading.uncertainty, reading.minimum, reading.maximum, reading.standard_deviation]
    numbers = [number for number in numbers if number is not None]
    found = {
        "neither value nor reason": reading.value is None and not reading.reason,
        "value and reason": reading.value is not None and bool(reading.reason),
        "occurrences of nothing": reading.value is None and reading.count not in (None, 0),
        "not finite": not all(math.isfinite(number) for number in numbers),
        "a NumPy scalar leaks out": not all(type(number) is float for number in numbers),
        "a doubt twice": len(set(reading.doubts)) < len(reading.doubts),
    }
    return ", ".join(word for word, holds in found.items() if holds)


@pytest.mark.parametrize("name", list(metrics()))
def test_samples_that_are_not_valid_are_doubted(name: str) -> None:
    for record in ("NaN inside", "infinite inside"):
        reading = measured(metrics()[name], RECORDS[record]())
        assert reading.value is None or Doubt.INVALID_SAMPLES in reading.doubts, record


@pytest.mark.parametrize("name", list(metrics()))
def test_clipped_records_are_doubted(name: str) -> None:
    reading = measured(metrics()[name], RECORDS["clipped square"]())
    assert reading.value is None or Doubt.CLIPPED in reading.doubts


@pytest.mark.parametrize("name", list(metrics()))
def test_the_type_of_the_codes_does_not_matter(name: str) -> None:
    entry = metrics()[name]
    ramp = np.interp(np.arange(2000) % 100, [0, 10, 45, 60, 100], [0, 100, 100, 0, 0]).round()
    later = np.roll(ramp, 3)
    first = measured(entry, _wave(ramp, np.int8), _wave(later, np.int8))
    for dtype in (np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64):
        second = measured(entry, _wave(ramp, dtype), _wave(later, dtype))
        expected = first.value if first.value is None else pytest.approx(first.value, rel=1e-5, abs=1e-9)
        assert second.value == expected, dtype


@pytest.mark.parametrize("name", list(metrics()))
def test_the_record_is_left_as_it_was(name: str) -> None:
    codes = square().astype(np.int8)
    before = codes.copy()
    measured(metrics()[name], Waveform(codes, interval=INTERVAL))
    assert np.array_equal(codes, before)


@pytest.mark.parametrize("name", list(metrics()))
def test_an_unknown_option_is_refused_with_those_that_there_are(name: str) -> None:
    waves = [_wave(square())] * metrics()[name].channels[0]
    with pytest.raises(Misuse, match="unknown option `colour`"):
        measure(waves, name, colour="red")


# math: a square of 100 samples per period and 2000 samples of 1 µs has 20 rising edges less the one that is cut, 10 kHz
NUMBERS = [
    ("one edge", "rising_edges", 1, 0),
    ("one edge", "rise_time", 0.8e-6, 1e-12),
    ("one edge", "high_level", 100, 0),
    ("one falling edge", "fall_time", 0.8e-6, 1e-12),
    ("two samples", "peak_to_peak", 7, 0),
    ("one sample", "mean", 7, 0),
    ("constant float", "rms", 0.1, 1e-15),
    ("all clipped", "maximum", 127, 0),
    ("zeros", "falling_edges", 0, 0),
    ("NaN inside", "frequency", 10e3, 30),  # ten samples are missing at an edge
    ("NaN inside", "high_level", 50, 0),
    ("NaN inside", "duty_factor", 0.5, 0.01),
    ("infinite inside", "maximum", 50, 0),
    ("infinite inside", "frequency", 10e3, 1e-6),
    ("1-bit codes", "amplitude", 3.3, 1e-12),
    ("1-bit codes", "duty_factor", 0.5, 1e-12),
    ("1-bit codes", "frequency", 10e3, 1e-6),
    ("non-coherent sine", "frequency", 10.37e6 / 2000, 0.5),
    ("heavily noisy", "frequency", 10e3, 100),
    ("heavily noisy", "rising_edges", 19, 1),
    ("huge offset", "amplitude", 100e-6, 1e-9),
    ("huge offset", "frequency", 10e3, 1e-6),
    ("huge offset", "ac_rms", 50e-6, 1e-15),
    ("huge offset", "overshoot", 0, 1e-5),
    ("huge offset float", "amplitude", 100, 0),
    ("huge offset float", "ac_rms", 50, 1e-9),
    ("huge offset float", "duty_factor", 0.5, 1e-12),
    ("tiny", "amplitude", 100e-300, 1e-310),
    ("tiny", "period", 100e-6, 1e-15),
    ("not starting at 0", "period", 100e-6, 1e-15),
    ("inverting", "high_level", 2.0, 1e-12),
    ("inverting", "positive_pulse_width", 50e-6, 1e-15),
    ("every other sample", "duty_factor", 0.5, 1e-12),
    ("big endian", "rise_time", 0.8e-6, 1e-12),
    *((f"square of {np.dtype(d)}", "amplitude", 100, 1e-9) for d in (np.int8, np.uint8, np.int64, np.float32)),
]


@pytest.mark.parametrize("record, name, value, tolerance", NUMBERS, ids=[f"{row[1]} {row[0]}" for row in NUMBERS])
def test_the_number_on_a_hard_record_is_right(record: str, name: str, value: float, tolerance: float) -> None:
    assert measured(metrics()[name], RECORDS[record]()).value == pytest.approx(value, rel=1e-12, abs=tolerance)
