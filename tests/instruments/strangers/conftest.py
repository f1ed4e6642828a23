from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import wavewright  # noqa: F401

RECIPE = """
wavewright: 1
title: A board between strangers
measurements:
  rail:
    channels:
      rail: {input: 1, range: 8 V}
      drive: {input: 2, range: 8 V}
    timebase: {span: 10 ms, points: 1k}
    trigger: {mode: auto, on: rail, edge: rising, level: 1.5 V, timeout: 500 ms}
    shots: 2
    stimulus:
      - {supply: {voltage: 12 V, current_limit: 1 A, output: on}}
      - {source: {function: sine, frequency: 500 Hz, amplitude: 2 V, offset: 1 V}}
    compute:
      rail_mean: {metric: mean, of: rail, limit: 1.5 V ± 3 %}
      drive_mean: {metric: mean, of: drive, limit: 1 V ± 50 mV}
    supply: {fed: {quantity: voltage, limit: 12 V ± 1 %}}
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    """Supply and source on, both seen by the digitizer."""
    path = tmp_path / "rail.yaml"
    path.write_text(RECIPE, encoding="utf-8")
    return path
