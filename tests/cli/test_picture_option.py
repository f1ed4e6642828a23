"""`--picture`: the same words for every command that has something to draw."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from tests.reporting.reported import reported
from wavewright.logbook.book import Logbook
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]
PNG = b"\x89PNG\r\n\x1a\n"  # W3C PNG, 5.2


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    time = np.arange(4000) * 1e-6
    path = tmp_path / "trace.npz"
    write_waveforms(path, {"drive": Waveform.from_volts(1.65 * (1 + np.sin(2e3 * np.pi * time)), interval=1e-6)})
    return path


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "logbook.sqlite"
    with Logbook(path) as made:
        made.enter(reported())
    return path


def test_measure_draws_what_it_found_with_the_limit_of_a_level(wavewright: Command, trace: Path) -> None:
    told = wavewright("measure", trace, "-m", "maximum", "--limit", "at most 3 V", "--picture", "terminal")
    assert told.status == 1
    lines = told.stdout.splitlines()
    assert any(line.endswith(" limit 3 V") and line.count("─") > 50 for line in lines)
    assert any(line.endswith(" maximum 3.30000000 V") for line in lines)  # as far as the record resolves it
    assert any("time from the trigger, ms" in line for line in lines)


def test_a_difference_of_levels_is_not_drawn_as_a_level(wavewright: Command, trace: Path) -> None:
    told = wavewright("measure", trace, "-m", "peak_to_peak", "--limit", "at most 3 V", "--picture", "terminal")
    assert "limit 3 V" not in told.stdout


@pytest.mark.parametrize("name, begins", [("out.svg", b"<svg "), ("out.png", PNG)])
def test_files_are_drawn_and_json_stays_json(
    wavewright: Command, trace: Path, tmp_path: Path, name: str, begins: bytes
) -> None:
    out = tmp_path / name
    told = wavewright("measure", trace, "-m", "rise_time", "--picture", out, "--json")
    assert told.json["rise_time"]["unit"] == "s"
    assert told.stderr == f"wrote {out}\n"
    assert out.read_bytes().startswith(begins)


def test_report_draws_a_run_in_the_terminal_and_as_files(wavewright: Command, book: Path, tmp_path: Path) -> None:
    told = wavewright("report", "last", "--logbook", book, "--picture", "terminal")
    assert told.status == 0
    assert told.stdout.startswith("VC-204 rail and enable, VC-204 VC204-0017: rail_noise, fail\n")
    assert "┬" in told.stdout
    for name, begins in (("rail.svg", b"<svg "), ("rail.png", PNG)):
        out = tmp_path / name
        told = wavewright("report", "last", "--logbook", book, "--measurement", "rail_noise", "--out", out)
        assert told.stdout == f"wrote {out} ({name[-3:].upper()} report)\n"
        assert out.read_bytes().startswith(begins)


def test_a_place_that_takes_no_picture_is_refused_before_anything_is_done(wavewright: Command, book: Path) -> None:
    for command in (
        ("report", "last"),
        ("measure", "none.csv", "-m", "mean"),
        ("run", "none.yaml"),
        ("look", "none.csv"),
    ):
        told = wavewright(*command, "--picture", "x.pdf")
        assert told.status == 64
        assert "expected: `terminal`, or a file that ends in .svg or .png" in told.stderr
    told = wavewright("report", "--batch", "--logbook", book, "--out", "x.html", "--picture", "terminal")
    assert (told.status, told.stderr.splitlines()[0]) == (64, "a batch has no single picture")
    told = wavewright("report", "last", "--logbook", book)
    assert told.status == 64
    assert "expected: `--out FILE`, or `--picture terminal`" in told.stderr


def test_density_frames_the_shots_that_it_reports(wavewright: Command, tmp_path: Path) -> None:
    files = []
    for shot in range(12):
        volts = np.where(np.arange(400) % 200 < 100, 3.3, 0.0)
        if shot == 7:
            volts[323:340] = 1.5
        files.append(tmp_path / f"shot{shot:02}.npz")
        write_waveforms(files[-1], {"enable": Waveform.from_volts(volts, interval=1e-6)})
    told = wavewright("density", *files, "--rare", "10", "--picture", "terminal")
    assert told.status == 1
    assert "shot 8" in told.stdout
    assert "◆" in told.stdout


def test_look_draws_stored_records(wavewright: Command, trace: Path, tmp_path: Path) -> None:
    told = wavewright("look", trace, "--picture", tmp_path / "look.svg")
    assert told.status == 0
    assert "drive, V" in (tmp_path / "look.svg").read_text(encoding="utf-8")
    assert "trace.npz" in wavewright("look", trace, "--picture", "terminal").stdout
