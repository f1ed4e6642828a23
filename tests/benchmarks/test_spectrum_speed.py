"""How long a spectrum takes, against the bare transform of the same record in single precision, within one run.

`python -m tests.benchmarks.test_spectrum_speed` prints the table.
"""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.fft import rfft

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.measure import measure_surveys
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.spectrum.power_density import power_density
from wavewright.analysis.spectrum.sine_fit import fit_sine
from wavewright.analysis.spectrum.spectrum import amplitude_spectrum
from wavewright.analysis.spectrum.tones import find_strongest
from wavewright.waveform import Waveform

SAMPLES = 10_000_000
THREE_WINDOWS: list[tuple[str, dict[str, Any]]] = [
    ("thd", {}), ("snr", {"window": "hann"}), ("sfdr", {"window": "rectangular"})
]  # fmt: skip
RUNS = 7


def record(samples: int = SAMPLES) -> Waveform:
    """A tone of 100 of 256 codes in noise of 2 codes."""
    rng = np.random.default_rng(1)
    codes = np.empty(samples, np.int8)
    for first in range(0, samples, 1_000_000):
        k = np.arange(first, min(samples, first + 1_000_000))
        codes[k] = np.round(100 * np.sin(0.0123456789 * k) + rng.normal(0, 2, k.size))
    return Waveform(codes, gain=0.01, interval=4e-9, name="tone")


def ratio(work: Callable[[], object], reference: Callable[[], object], runs: int = RUNS) -> float:
    """Median of the ratios of neighbouring runs: what slows the machine down for a while slows both."""
    ratios = []
    work(), reference()  # pages and tables of the first run do not count
    for _ in range(runs):
        times = []
        for task in (reference, work, reference):
            begin = time.perf_counter()
            task()
            times.append(time.perf_counter() - begin)
        ratios.append(2 * times[1] / (times[0] + times[2]))
    return statistics.median(ratios)


def table(samples: int = SAMPLES, runs: int = RUNS) -> list[tuple[str, float, str]]:
    """What, ratio to one rfft in float32, goal."""
    wave = record(samples)
    single = wave.codes.astype(np.float32)
    works: list[tuple[str, Callable[[], object], str]] = [
        ("amplitude spectrum, Hann", lambda: amplitude_spectrum(Survey(wave)), "at most 1.3"),
        (
            "amplitude spectrum, Blackman-Harris",
            lambda: amplitude_spectrum(Survey(wave), window="blackman_harris"),
            "at most 1.3",
        ),
        ("strongest tone", lambda: find_strongest(Survey(wave)), "at most 1.4"),
        ("power density", lambda: power_density(Survey(wave)), ""),
        ("sine fit, four parameters", lambda: fit_sine(Survey(wave)), ""),
    ]
    rows = [(what, ratio(work, lambda: rfft(single), runs), goal) for what, work, goal in works]
    tracemalloc.start()
    amplitude_spectrum(Survey(wave))
    rows.append(
        ("memory at the peak over a float32 copy", tracemalloc.get_traced_memory()[1] / single.nbytes, "about 2")
    )
    tracemalloc.stop()
    return rows


def long_records(samples: int = 100_000_000) -> list[tuple[str, float, str]]:
    """Processor time, s, and memory beside the record, bytes per sample, of metrics of a long record."""
    wave = record(samples)
    works: list[tuple[str, list[tuple[str, dict[str, Any]]]]] = [
        ("`thd`", [("thd", {})]),
        ("`sinad`", [("sinad", {})]),
        ("`thd`, `snr` and `sfdr`, each with another window,", THREE_WINDOWS),
    ]
    rows = []
    for what, metrics in works:
        begin = time.process_time()
        _measured(wave, metrics)
        taken = time.process_time() - begin
        tracemalloc.start()
        _measured(wave, metrics)
        peak = tracemalloc.get_traced_memory()[1] / samples
        tracemalloc.stop()
        of_it = f"{what} of {samples // 1_000_000} M int8 samples"
        rows.append((f"{of_it}: processor time, s", taken, "at most 10" if len(metrics) == 1 else ""))
        rows.append((f"{of_it}: extra memory, bytes per sample", peak, "at most 4"))
    return rows


def _measured(wave: Waveform, metrics: list[tuple[str, dict[str, Any]]]) -> None:
    surveys = [Survey(wave)]
    for name, options in metrics:
        measure_surveys(surveys, METRICS.find(name), dict(options))


def test_spectrum_of_the_benchmark_finds_its_tone() -> None:
    wave = record(200_000)
    tone = find_strongest(Survey(wave))
    assert tone.frequency == pytest.approx(0.0123456789 / (2 * np.pi) / 4e-9, abs=5 * tone.frequency_uncertainty)
    assert tone.amplitude == pytest.approx(1.0, rel=1e-3)


@pytest.mark.slow
def test_memory_of_a_spectrum_is_a_small_multiple_of_a_float_copy() -> None:
    wave = record(1_000_000)
    tracemalloc.start()
    amplitude_spectrum(Survey(wave))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2.2 * 4 * len(wave)


def test_amplitude_spectrum(benchmark: Callable[[Callable[[], object]], object]) -> None:
    wave = record(1_000_000)
    benchmark(lambda: amplitude_spectrum(Survey(wave)))


if __name__ == "__main__":
    for what, number, goal in [*table(), *long_records()]:
        print(f"{what:70s} {number:6.2f}   {goal}")
