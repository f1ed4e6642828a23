"""A logbook on a drive of another computer does without shared memory."""

from __future__ import annotations

import os
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.logbook import database
from wavewright.logbook.book import Logbook
from wavewright.logbook.network_drive import drive_of, is_on_network_drive, type_of_mount
from wavewright.logbook.verification import verify

# the form of Linux' proc_pid_mountinfo(5)
MOUNTS = r"""
22 1 0:21 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:40 / /mnt/bench rw,relatime shared:9 - nfs4 server:/bench rw,vers=4.2
31 22 0:41 / /mnt/my\040bench rw,relatime - cifs //server/share rw
32 30 0:42 / /mnt/bench/local rw,relatime - xfs /dev/sdb1 rw
33 22 0:43 / /mnt/both rw,relatime - ext4 /dev/sdc1 rw
34 22 0:44 / /mnt/both rw,relatime - nfs server:/both rw
not a mount
""".splitlines()


@pytest.mark.posix("paths of Linux' list of mounts")
@pytest.mark.parametrize(
    "path, expected",
    [
        ("/home/lab/book.sqlite", "ext4"), ("/mnt/bench/book.sqlite", "nfs4"), ("/mnt/bench2/book.sqlite", "ext4"),
        ("/mnt/my bench/lot/book.sqlite", "cifs"), ("/mnt/bench/local/book.sqlite", "xfs"), ("/mnt/both/b", "nfs"),
    ],
)  # fmt: skip
def test_the_mount_that_holds_a_path_is_found(path: str, expected: str) -> None:
    assert type_of_mount(Path(path), MOUNTS) == expected


@pytest.mark.parametrize(
    "whole, drive",
    [
        (r"X:\lot\book.sqlite", "X:\\"), (r"\\server\share\lot\book.sqlite", "\\\\server\\share\\"),
        (r"\\?\X:\lot\book.sqlite", "X:\\"), (r"\\?\UNC\server\share\lot\book.sqlite", "\\\\server\\share\\"),
    ],
)  # fmt: skip
def test_the_drive_of_a_path_is_as_windows_asks_for_it(whole: str, drive: str) -> None:
    assert drive_of(whole) == drive


def test_a_drive_of_this_computer_is_none_of_another(tmp_path: Path) -> None:
    assert not is_on_network_drive(tmp_path / "book.sqlite")
    if os.name == "nt":
        assert is_on_network_drive(Path(r"\\server\share\book.sqlite"))


def mode(book: Path) -> str:
    with sqlite3.connect(book) as plain:
        (found,) = plain.execute("PRAGMA journal_mode").fetchone()
    plain.close()
    return str(found)


def runs(book: Path) -> int:
    """How many there are, after all of the logbook was verified."""
    with Logbook.existing(book) as opened:
        verified = verify(opened)
    assert not verified.flaws
    return verified.runs


def test_there_a_logbook_has_a_rollback_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = tmp_path / "book.sqlite"
    with Logbook(book) as opened:
        opened.enter(outcome())
    assert mode(book) == "wal"
    asked: list[Path] = []
    monkeypatch.setattr(database, "is_on_network_drive", lambda path: asked.append(path) or True)
    with Logbook(book) as opened:  # it was moved there, say
        opened.enter(replace(outcome(), serial="moved"))
    assert mode(book) == "delete"
    assert asked[0].name == "book.sqlite"
    assert not list(tmp_path.glob("*-wal"))
    assert not list(tmp_path.glob("*-shm"))
    monkeypatch.undo()
    with Logbook(book) as opened:  # and back again
        opened.enter(replace(outcome(), serial="and back"))
    assert mode(book) == "wal"
    assert runs(book) == 3


def test_there_several_programs_enter_runs_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "is_on_network_drive", lambda path: True)
    book = tmp_path / "book.sqlite"

    def enter(number: int) -> None:
        with Logbook(book) as opened:
            opened.enter(replace(outcome(), serial=f"unit {number}"))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(enter, range(12)))
    assert runs(book) == 12
    assert mode(book) == "delete"
