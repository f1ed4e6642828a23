"""Measured and expected probe loading side by side."""

from __future__ import annotations

import pytest

from wavewright.analysis.catalogue import metrics
from wavewright.analysis.comparison import metric_changes
from wavewright.analysis.loading_table import _RULES, loading_table
from wavewright.analysis.probe_loading import Crystal, Node, Probe, expected_loading
from wavewright.analysis.reading import Reading

CLOCK = Crystal(12e6, 15e-15, 4e-12, 18e-12)
LOADING = expected_loading(Probe(10e6, 5e-12, 10), Node(1e3, 5e-12), frequency=12e6, crystal=CLOCK)


def readings(**values: float | None) -> dict[str, Reading]:
    return {name: Reading(value, "1", reason="" if value is not None else "0 edges") for name, value in values.items()}


def table(before: dict[str, Reading], after: dict[str, Reading]) -> dict[str, tuple]:
    return {row.measured.metric: row for row in loading_table(metric_changes(before, after), LOADING)}


def test_the_12_mhz_clock_with_and_without_a_probe() -> None:
    # math: series-resonance model of a crystal, C1 15 fF, C0 4 pF, load 18 pF and 5 pF more: −63.0903 ppm
    row = table(readings(frequency=12e6), readings(frequency=12e6 - 760))["frequency"]
    assert row.expected_change == pytest.approx(-757.083, abs=0.01)
    assert row.left_over == pytest.approx(-760 + 757.083, abs=0.01)


def test_frequency_and_period_are_expected_to_move_against_each_other() -> None:
    rows = table(readings(frequency=12e6, period=1 / 12e6), readings(frequency=12e6, period=1 / 12e6))
    assert rows["frequency"].expected_after * rows["period"].expected_after == pytest.approx(1.0, rel=1e-12)


def test_amplitude_edges_and_levels() -> None:
    before = readings(amplitude=3.0, rise_time=10e-9, high_level=3.3)
    rows = table(before, before)
    assert rows["amplitude"].expected_after == pytest.approx(3.0 * (1 + LOADING.amplitude_change))
    # math: 10 ns and the growth from 2.197 · 1 kΩ · 5 pF to 2.197 · (1 kΩ ∥ 10 MΩ) · 10 pF, as squares
    expected = (100 + 21.9700 * 21.9700 - 10.98612 * 10.98612) ** 0.5
    assert rows["rise_time"].expected_after * 1e9 == pytest.approx(expected, rel=1e-3)
    assert rows["high_level"].expected_after == pytest.approx(3.3 * 1e7 / (1e7 + 1e3))


def test_what_the_model_does_not_know_has_no_expectation() -> None:
    rows = table(readings(overshoot=0.1, frequency=None), readings(overshoot=0.2, frequency=1.0))
    assert (rows["overshoot"].expected_after, rows["overshoot"].left_over) == (None, None)
    assert (rows["frequency"].expected_after, rows["frequency"].left_over) == (None, None)


def test_every_metric_with_an_expectation_is_in_the_catalogue() -> None:
    assert set(_RULES) <= set(metrics())
