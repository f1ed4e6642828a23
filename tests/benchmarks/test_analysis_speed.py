"""How fast the level, transition, pulse and amplitude metrics are, as ratios within one run.

`python -m tests.benchmarks.test_analysis_speed` prints the table.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest

from tests.benchmarks.plain_script import plain_script
from wavewright.analysis.measure import measure
from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.waveform import Waveform

GAIN, OFFSET, INTERVAL = 0.02, 1.0, 4e-9
METRICS = [
    "minimum", "maximum", "peak_to_peak", "mean", "rms", "ac_rms", "rectified_mean", "crest_factor", "form_factor",
    "cycle_mean", "cycle_rms", "high_level", "low_level", "amplitude", "overshoot", "undershoot",
    "rise_time", "fall_time", "slew_rate", "period", "frequency", "duty_factor", "positive_pulse_width",
    "negative_pulse_width", "longest_pulse", "shortest_pulse", "time_above", "time_below", "rising_edges",
    "falling_edges", "cycles", "pulses", "glitches", "runts",
]  # fmt: skip


def drive(samples: int, dtype: type = np.int8) -> np.ndarray:
    """A pulse drive of 1000 samples per period with overshoot, edges of 20 samples and noise of 2 codes of 256."""
    scale = 1 if dtype is np.int8 else 200
    cycle = np.interp(np.arange(1000), [0, 20, 26, 40, 400, 420, 440, 1000], [-60, 100, 112, 100, 100, -60, -60, -60])
    noise = np.random.default_rng(1).normal(0, 2, 1_000_003)  # no whole number of periods: it does not repeat with them
    codes = np.empty(samples, dtype=dtype)
    for first in range(0, samples, 1_000_000):
        part = min(1_000_000, samples - first)
        volts = np.resize(cycle, part) + np.resize(np.roll(noise, first // 7), part)
        codes[first : first + part] = np.clip(np.round(volts * scale), np.iinfo(dtype).min, np.iinfo(dtype).max)
    return codes


STATED = Accuracy(
    gain="1.5 %", offset="0.5 % of range + 1 mV", timebase="10 ppm", nonlinearity="0.2 % of range", bandwidth="100 MHz",
    noise_floor="0.1 % of range",
)  # fmt: skip


def measured(codes: np.ndarray) -> dict[str, float | None]:
    scale = GAIN if codes.dtype == np.int8 else GAIN / 200
    wave = Waveform(codes, gain=scale, offset=OFFSET, interval=INTERVAL, name="drive")
    return {name: reading.value for name, reading in measure(wave, METRICS).items()}


def budgeted(codes: np.ndarray) -> dict[str, Budget | None]:
    scale = GAIN if codes.dtype == np.int8 else GAIN / 200
    ends = (float(np.iinfo(codes.dtype).min), float(np.iinfo(codes.dtype).max))
    wave = Waveform(codes, gain=scale, offset=OFFSET, interval=INTERVAL, name="drive", code_range=ends)
    return {name: reading.budget for name, reading in measure(wave, METRICS, accuracy=STATED).items()}


def scripted(codes: np.ndarray) -> dict[str, float]:
    return plain_script(codes, GAIN if codes.dtype == np.int8 else GAIN / 200, OFFSET, INTERVAL)


@pytest.mark.parametrize("dtype", [np.int8, np.int16])
def test_script_and_catalogue_agree(dtype: type) -> None:
    codes = drive(300_500, dtype)
    ours, script = measured(codes), scripted(codes)
    assert set(script) == set(ours)
    # the script counts samples where ours integrates between crossings
    loose = dict.fromkeys(["time_above", "time_below", "cycle_mean", "cycle_rms"], 1e-3)
    tight = 1e-9
    if dtype is np.int16:  # the script takes the middle of a bin of the histogram, ours the median of the samples in it
        tight, loose = 0.01, {"overshoot": 0.1, "undershoot": 0.2}
    for name, value in ours.items():
        assert value == pytest.approx(script[name], rel=loose.get(name, tight), abs=1e-12), name


def test_every_metric_of_a_long_record_has_a_whole_budget() -> None:
    for name, budget in budgeted(drive(300_500)).items():
        assert budget is not None, name
        assert budget.is_complete, (name, budget.missing)


def test_extra_memory_is_no_more_than_the_record() -> None:
    codes = drive(4_000_000)
    tracemalloc.start()
    measured(codes)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak <= max(codes.nbytes, 3_000_000)


def fastest(*runs: Callable[[], object], repeats: int) -> list[float]:
    """Shortest processor time of each, s; they take turns, so that what else the machine does meets all of them."""
    times = [[_timed(run) for run in runs] for _ in range(repeats)]
    return [min(column) for column in zip(*times, strict=True)]


def _timed(run: Callable[[], object]) -> float:
    begin = time.process_time()
    run()
    return time.process_time() - begin


def measure_ratios() -> list[tuple[str, float, str]]:
    """Rows of (what, ratio, what it should be)."""
    return [
        *_against_the_script(np.int8, 25, "at most 1.6"),
        *_against_the_script(np.int16, 8, ""),
        *_budgets(),
        *_growth(),
    ]


def _against_the_script(dtype: type, target: int, of_a_copy: str) -> list[tuple[str, float, str]]:
    codes = drive(10_000_000, dtype)
    ours, copy = fastest(lambda: measured(codes), lambda: codes.astype(np.float64), repeats=12)
    (script,) = fastest(lambda: scripted(codes), repeats=4)
    tracemalloc.start()
    measured(codes)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    name = f"{len(METRICS)} metrics of 10 M {codes.dtype} samples"
    return [
        (f"{name}: plain script over ours", script / ours, f"at least {target}"),
        (f"{name}: ours over a copy in float64", ours / copy, of_a_copy),
        (f"{name}: extra memory over the record", peak / codes.nbytes, "at most 1"),
    ]


def _budgets() -> list[tuple[str, float, str]]:
    codes = drive(10_000_000)
    alone, together = fastest(lambda: measured(codes), lambda: budgeted(codes), repeats=12)
    name = f"{len(METRICS)} metrics of 10 M {codes.dtype} samples"
    return [(f"{name}: with their budgets over without", together / alone, "at most 3")]


def _growth() -> list[tuple[str, float, str]]:
    records = [drive(samples) for samples in (10**6, 10**7, 10**8)]
    times = fastest(*(lambda codes=codes: measured(codes) for codes in records), repeats=4)
    pace = [each / codes.size for each, codes in zip(times, records, strict=True)]
    name = f"{len(METRICS)} metrics of int8, time a sample"
    return [
        (f"{name}: 10 M over 1 M samples", pace[1] / pace[0], "at most about 1"),
        (f"{name}: 100 M over 10 M samples", pace[2] / pace[1], "at most about 1"),
    ]


if __name__ == "__main__":
    for what, ratio, wanted in measure_ratios():
        print(f"{what:68} {ratio:8.2f}   {wanted}")
