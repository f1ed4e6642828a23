"""Verify finds what was changed; prune takes what nobody needs."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import Any

import h5py
import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.maintenance import prune
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.verification import verify


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = Logbook(tmp_path / "logbook.sqlite")
    book.enter_all([outcome(0, seed=1), outcome(1, seed=1), outcome(2, seed=9)])
    return book


def test_an_untouched_logbook_has_no_flaw(book: Logbook) -> None:
    said: list[tuple[int, int]] = []
    found = verify(book, say=lambda done, total: said.append((done, total)))
    assert (found.texts, found.captures, found.flaws) == (3, 2, ())
    assert said == [(1, 2), (2, 2)]


def test_one_changed_sample_is_found_with_the_runs_it_belongs_to(book: Logbook) -> None:
    rows: Any = book.outcome("last").captures
    shared = next(iter(rows.values())).path
    first, second = (entry.id for entry in entries(book) if entry.serial != "VC204-0002")
    other = next(path for path in book.codes.folder.rglob("*.h5") if path != shared)
    with h5py.File(other, "r+") as file:
        file["shot_00001/rail"][17] ^= 1
    flaws = verify(book).flaws
    assert [flaw.what for flaw in flaws] == [f"the captures {other} have changed"]
    assert flaws[0].runs == tuple(sorted((first, second)))


def test_missing_and_broken_files_are_found(book: Logbook) -> None:
    gone, broken = sorted(book.codes.folder.rglob("*.h5"))
    gone.unlink()
    broken.write_bytes(broken.read_bytes()[:500])
    words = sorted(flaw.what for flaw in verify(book).flaws)
    assert words == sorted([f"the captures {gone} are missing", f"the captures {broken} cannot be read"])
    with pytest.raises(StorageFault, match="run `wavewright logbook verify`"):
        book.outcome("last").captures["rail_noise"][0]


def test_a_changed_recipe_is_found(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        plain.execute("update texts set text = text || ' ' where text like 'wavewright: 1%'")
    flaws = verify(book).flaws
    assert len(flaws) == 1
    assert "of a recipe, bench, profile or file of corrections has changed" in flaws[0].what
    assert len(flaws[0].runs) == 3


def test_prune_keeps_codes_that_another_run_needs(book: Logbook) -> None:
    assert prune(book, Filter(serial="VC204-0000")).files == 0
    after = prune(book, Filter(until=START + timedelta(minutes=2)))
    assert (after.runs, after.files) == (1, 1)
    assert after.size > 0
    assert verify(book).flaws == ()
    assert [entry.serial for entry in entries(book)] == ["VC204-0002"]


def test_a_dry_prune_only_counts(book: Logbook) -> None:
    would = prune(book, Filter(serial="VC204-0002"), dry=True)
    assert (would.runs, would.files) == (1, 1)
    assert len(entries(book)) == 3
    assert verify(book).flaws == ()


def test_codes_without_a_run_go(book: Logbook) -> None:
    book.codes.add([*outcome(5, seed=77).captures["rail_noise"]])  # what a run that was killed may leave
    assert prune(book, None).files == 1
    assert prune(book, None).files == 0
