"""`wavewright density` on stored shots, and every occurrence of `wavewright measure`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]


@pytest.fixture
def shots(tmp_path: Path) -> list[Path]:
    """Twenty shots of a square wave; the seventh has a glitch of four samples."""
    paths = []
    for number in range(20):
        codes = np.where(np.arange(1000) % 200 < 100, 100, -100).astype(np.int8)
        if number == 6:
            codes[540:544] = 20
        wave = Waveform(codes, gain=0.01, interval=1e-6, name="enable", code_range=(-128, 127))
        write_waveforms(tmp_path / f"shot{number:02}.npz", {"enable": wave})
        paths.append(tmp_path / f"shot{number:02}.npz")
    return paths


def test_the_rare_shot_is_named_with_its_place(wavewright: Command, shots: list[Path]) -> None:
    told = wavewright("density", *shots, "--rare", 10, "--json")
    assert told.status == 1
    assert told.json["samples"] == 20_000
    (one,) = told.json["rare"]
    assert one["file"] == str(shots[6])
    assert one["time"] == pytest.approx(541e-6, abs=3e-6)
    assert one["level"] == pytest.approx(0.2, abs=0.02)


def test_leaving_the_band_round_a_golden_waveform_is_told(wavewright: Command, shots: list[Path]) -> None:
    told = wavewright("density", *shots, "--around", shots[0], "--time", "1 us", "--level", "50 mV")
    assert told.status == 1
    assert f"{shots[6]} left the band at 54" in told.stdout
    assert wavewright("density", *shots[:5], "--around", shots[0], "--level", "50 mV").status == 0


def test_the_counts_are_drawn(wavewright: Command, shots: list[Path], tmp_path: Path) -> None:
    assert wavewright("density", *shots[:3], "--out", tmp_path / "counts.html").status == 0
    assert "3000 samples of 3 shots" in (tmp_path / "counts.html").read_text()
    assert wavewright("density", *shots[:3], "--out", tmp_path / "counts.png").status == 64


def test_every_occurrence_comes_with_its_time(wavewright: Command, shots: list[Path]) -> None:
    told = wavewright("measure", shots[0], "--metric", "positive_pulse_width", "--each", "--json")
    each = told.json["positive_pulse_width"]["occurrences"]
    assert [one["time"] for one in each] == pytest.approx([199.5e-6, 399.5e-6, 599.5e-6, 799.5e-6], abs=1e-9)
    assert [one["value"] for one in each] == pytest.approx([100e-6] * 4)
    lines = wavewright("measure", shots[0], "--metric", "positive_pulse_width", "--each").stdout.splitlines()
    assert sum(line.startswith("positive_pulse_width  ") and "100 us" in line for line in lines) >= 4
