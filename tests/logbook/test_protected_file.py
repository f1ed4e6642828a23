"""A logbook where this user may not write, on a backup or a share, is read and never written."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.protected_file import is_protected
from wavewright.logbook.queries import entries
from wavewright.logbook.verification import verify

pytestmark = pytest.mark.posix("another user, and modes of folders")
NOBODY = 65534  # the user of that name on every system that has one (common practice, no source)


@pytest.fixture
def file() -> Iterator[Path]:
    """A logbook with one run in a folder that nobody may write to, yet everybody may read."""
    folder = Path(tempfile.mkdtemp(prefix="protected-"))
    with Logbook(folder / "book.sqlite") as book:
        book.enter(outcome(0), station="bench-1")
        assert not verify(book).flaws
        assert len(entries(book)) == 1  # and what reads is imported
    for one in folder.rglob("*"):
        one.chmod(0o555 if one.is_dir() else 0o444)
    folder.chmod(0o555)
    yield folder / "book.sqlite"
    shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def without_rights() -> Iterator[None]:
    """As a user to whom modes of files mean something."""
    before = os.geteuid()
    if before == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(before)


def keep_rollback_journal(file: Path) -> None:
    """As a file on a network drive has it."""
    file.chmod(0o644)
    file.parent.chmod(0o755)
    assert sqlite3.connect(file).execute("PRAGMA journal_mode = DELETE").fetchone() == ("delete",)
    file.chmod(0o444)
    file.parent.chmod(0o555)


@pytest.mark.parametrize("prepare", [lambda file: None, keep_rollback_journal], ids=["ahead", "rollback"])
def test_it_is_read_and_refuses_to_be_written(file: Path, prepare: Callable[[Path], None]) -> None:
    prepare(file)
    before = sorted(file.parent.rglob("*"))
    with without_rights(), Logbook(file) as book:
        assert [entry.station for entry in entries(book)] == ["bench-1"]
        assert not verify(book).flaws
        with pytest.raises(StorageFault, match="cannot be"):
            book.enter(outcome(1))
        assert len(entries(book)) == 1
    assert sorted(file.parent.rglob("*")) == before


def test_what_somebody_writes_meanwhile_is_not_half_read(file: Path) -> None:
    with without_rights():
        book = Logbook(file)
    with book:
        reading = book.reading()
        reading.__enter__().exec_driver_sql("SELECT count(*) FROM outcomes").fetchone()
        os.utime(file, ns=(1, 1))
        with pytest.raises(StorageFault, match="written by somebody else"):
            reading.__exit__(None, None, None)


def test_what_is_taken_away_meanwhile_is_said(file: Path) -> None:
    with without_rights():
        book = Logbook(file)
    with book:
        reading = book.reading()
        reading.__enter__().exec_driver_sql("SELECT count(*) FROM outcomes").fetchone()
        file.parent.chmod(0o755)
        file.unlink()
        with pytest.raises(StorageFault, match="taken away"):
            reading.__exit__(None, None, None)


def test_runs_that_wait_in_the_log_of_a_writer_are_not_left_out(file: Path) -> None:
    file.parent.chmod(0o755)
    file.with_name("book.sqlite-wal").write_bytes(b"\0" * 4128)  # copied while it was written, without the log's index
    file.parent.chmod(0o555)
    with without_rights(), pytest.raises(StorageFault, match="unable to open"):
        Logbook(file)


def test_a_log_that_its_writer_takes_away_at_this_moment_is_none(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "exists", lambda *arguments, **options: True)  # it was there when it was asked for
    with without_rights():
        assert is_protected(file, {})
