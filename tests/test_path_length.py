"""Paths of more than 260 characters: as Windows takes them, and a run below such a folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import wavewright as ww
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import read_outcome
from wavewright.path_length import LONGEST, extended, within_reach
from wavewright.reporting.catalogue import write_report

ROOT = Path(__file__).parents[1]
# Windows' documents: "Naming Files, Paths, and Namespaces", Win32 file namespaces, maximum path length limitation †
FORMS = [
    (r"C:\bench\outcomes", r"\\?\C:\bench\outcomes"),
    (r"\\server\share\outcomes", r"\\?\UNC\server\share\outcomes"),
    (r"\\?\C:\bench", r"\\?\C:\bench"),
    (r"\\?\UNC\server\share", r"\\?\UNC\server\share"),
    (r"\\.\pipe\bench", r"\\.\pipe\bench"),
]


@pytest.mark.parametrize("whole, form", FORMS)
def test_the_form_for_any_length(whole: str, form: str) -> None:
    assert extended(whole) == form


def test_only_a_path_that_is_too_long_is_changed(tmp_path: Path) -> None:
    assert within_reach(Path("outcomes")) == Path("outcomes")
    assert within_reach(tmp_path) == tmp_path
    far = within_reach(tmp_path, LONGEST)
    assert str(far) == (str(tmp_path) if os.name == "posix" else "\\\\?\\" + str(tmp_path))


def deep(folder: Path, length: int) -> Path:
    """A folder below it whose path has at least that many characters."""
    while len(str(folder)) < length:
        folder = folder / ("deep" * 5)
    return folder


@pytest.mark.parametrize("length", [200, 240, 300])
def test_a_run_whose_folders_have_long_names_is_kept_and_read(length: int, tmp_path: Path) -> None:
    out = deep(tmp_path, length)
    book = out / "book.sqlite"
    outcome = ww.run(
        ROOT / "recipes/rail_ripple.yaml", bench=ROOT / "sim/bench.yaml", serial="VC204-0017", out=out, logbook=book
    )
    assert outcome.verdict == "pass"
    assert read_outcome(out / outcome.folder.name).captures["rail_noise"][0].waveforms
    with Logbook(book) as opened:
        kept = opened.outcome(outcome.id)
        assert len(kept.captures["rail_noise"][0].waveforms["rail"].codes)
    report = out / f"{'r' * 40}.html"
    write_report(outcome, report)
    assert report.stat().st_size > 1000
