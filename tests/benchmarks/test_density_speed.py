"""How fast shots are summed into a density.

`python -m tests.benchmarks.test_density_speed` prints the table.
"""

from __future__ import annotations

import time

import numpy as np

from wavewright.analysis.statistics.density import Density
from wavewright.waveform import Waveform

SAMPLES, COLUMNS, ROWS = 10_000, 1000, 256


def shots(count: int) -> list[Waveform]:
    """Noisy shots of a sine, 8-bit codes."""
    rng = np.random.default_rng(204)
    tone = 80 * np.sin(np.arange(SAMPLES) / 700)
    codes = np.round(tone + rng.normal(0, 2, (count, SAMPLES))).astype(np.int8)
    return [Waveform(row, gain=0.01, interval=1e-6, code_range=(-128, 127)) for row in codes]


def shots_per_second(waves: list[Waveform]) -> tuple[float, Density]:
    density = Density.of(waves[0], columns=COLUMNS, rows=ROWS)
    begin = time.perf_counter()
    for shot, wave in enumerate(waves):
        density.add(shot, wave)
    return len(waves) / (time.perf_counter() - begin), density


def plain_shots_per_second(waves: list[Waveform], density: Density) -> float:
    """The same picture by `numpy.histogram2d`."""
    picture = np.zeros((ROWS, COLUMNS))
    times = waves[0].interval * np.arange(SAMPLES)
    begin = time.perf_counter()
    for wave in waves:
        picture += np.histogram2d(wave.values(), times, bins=(ROWS, COLUMNS), range=(density.levels, density.window))[0]
    return len(waves) / (time.perf_counter() - begin)


def test_both_pictures_have_every_sample() -> None:
    waves = shots(20)
    _, density = shots_per_second(waves)
    assert density.counts.sum() == 20 * SAMPLES
    assert plain_shots_per_second(waves[:2], density) > 0


if __name__ == "__main__":
    many = shots(300)
    speed, picture = shots_per_second(many)
    plain = plain_shots_per_second(many[:50], picture)
    print("| 10 000 samples into 1000 × 256 | shots/s |\n|---|---|")
    print(f"| Density.add | {speed:.0f} |\n| numpy.histogram2d | {plain:.0f} |")
