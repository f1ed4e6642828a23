"""A backup, restored where nothing else is left, is the same logbook: intact, and readings can be computed again."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import START, outcome
from tests.logbook.postgresql import Server
from tests.reporting.reported import reported
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.backup import back_up
from wavewright.logbook.book import Logbook
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.intake import Imported, import_outcomes
from wavewright.logbook.maintenance import thin
from wavewright.logbook.queries import entries
from wavewright.logbook.recompute import recompute
from wavewright.logbook.retention import Retention
from wavewright.logbook.verification import verify
from wavewright.running.attachment import Attachment
from wavewright.running.outcome import Outcome

ROOT = Path(__file__).parents[2]
Command = Callable[..., Spoken]


def made(number: int) -> Outcome:
    plain = reported()
    return replace(plain, serial=f"VC204-{number:04}", started=plain.started + timedelta(seconds=number))


def is_whole(book: Logbook, heads: dict[str, str], count: int) -> bool:
    """Whether a logbook verifies, ends where it did, and gives every reading of its last run again."""
    found = verify(book, known_heads=list(heads.values()))
    assert found.flaws == ()
    assert {chain.station: chain.sha256 for chain in found.chains} == heads
    assert recompute(book.outcome("last")).is_same
    return len(entries(book)) == count


def test_a_file_restored_on_an_empty_machine_is_the_same_logbook(wavewright: Command, tmp_path: Path) -> None:
    # given a logbook with a backup, which goes on and is backed up again, and one outcome that is too late
    bench, safe, new = (tmp_path / name for name in ("bench", "safe", "new"))
    with Logbook(bench / "line.sqlite") as book:
        book.enter_all([made(0), made(1)], station="line 2")
        assert (back_up(book, safe / "line.sqlite").runs, back_up(book, safe / "line.sqlite").files) == (2, 0)
        book.enter(
            replace(made(2), captures={"rail_noise": outcome(2, seed=3).captures["rail_noise"]}), station="line 2"
        )
        book.enter(made(3), station="line 2")
        kept = back_up(book, safe / "line.sqlite")
        assert (kept.runs, kept.files, kept.missing) == (4, 1, ())
        late = made(4)
        with Evidence(bench / "outcomes", started=late.started, recipe="rail", serial=late.serial) as evidence:
            for shot in late.captures["rail_noise"]:
                evidence.keep("rail_noise", shot)
            evidence.finish(late)
        book.enter(late, station="line 2")
    shutil.copytree(bench / "outcomes", safe / "outcomes")
    # when the machine is lost, and the backup is copied to another one
    shutil.rmtree(bench)
    shutil.copytree(safe, new)
    shutil.rmtree(safe)
    # then it is whole, gets the last run out of its evidence, and is whole by the commands too
    with Logbook(new / "line.sqlite") as book:
        assert is_whole(book, kept.heads, 4)
        assert import_outcomes(book, new / "outcomes", station="line 2") == Imported(1, 0)
    told = wavewright("logbook", "verify", "--logbook", new / "line.sqlite", "--head", kept.heads["line 2"])
    assert (told.status, "checked 5 runs" in told.stdout, "all intact" in told.stdout) == (0, True, True)
    assert wavewright("recompute", "last", "--logbook", new / "line.sqlite").status == 0


def test_a_backup_is_of_one_moment_while_others_write(tmp_path: Path) -> None:
    writer = """
import sys
from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook
with Logbook(sys.argv[1]) as book:
    for number in range(1, 1000):
        book.enter(outcome(number, seed=number), station="line 3")
        print(number, flush=True)
"""
    with Logbook(tmp_path / "line.sqlite") as book:
        book.enter(made(0), station="line 2")
        other = subprocess.Popen(
            [sys.executable, "-c", writer, book.where], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        assert other.stdout is not None
        try:
            for number in range(3):  # each of them while the other one writes
                assert other.stdout.readline()
                kept = back_up(book, tmp_path / f"{number}.sqlite")
                assert kept.missing == ()
                with Logbook(tmp_path / f"{number}.sqlite") as copy:
                    assert verify(copy, known_heads=list(kept.heads.values())).flaws == ()
                    assert len(entries(copy)) == kept.runs > number
        finally:
            other.kill()
            other.communicate()


def test_what_a_rule_took_is_not_missed_in_a_backup(tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        book.enter_all([outcome(0, seed=1), outcome(1, seed=2, value=0.045)])
        thin(book, Retention(older_than=0), now=START + timedelta(days=9))
        kept = back_up(book, tmp_path / "backup.sqlite")
    assert (kept.runs, kept.files, kept.missing) == (2, 1, ())
    with Logbook(tmp_path / "backup.sqlite") as copy:
        assert (verify(copy).flaws, verify(copy).pruned) == ((), 1)


def test_attached_files_are_backed_up_unless_they_have_changed(tmp_path: Path) -> None:
    photographs = [b"board, top side", b"board, bottom side"]
    attached = tuple(
        Attachment(
            "2026-03-02T08:00:00+00:00", name=f"{n}.dat", size=len(one), sha256=sha256(one).hexdigest(), content=one
        )
        for n, one in enumerate(photographs)
    )
    with Logbook(tmp_path / "line.sqlite") as book:
        book.enter(replace(made(0), attachments=attached))
        book.codes.files.path(attached[1].sha256).write_bytes(b"another board")
        kept = back_up(book, tmp_path / "backup.sqlite")
        (what,) = kept.missing
        assert attached[1].sha256 in what
        book.codes.files.path(attached[1].sha256).write_bytes(photographs[1])
        again = back_up(book, tmp_path / "backup.sqlite")
        assert (again.files, again.missing) == (1, ())
    shutil.rmtree(tmp_path / "line.sqlite.captures")
    with Logbook(tmp_path / "backup.sqlite") as copy:
        assert verify(copy).flaws == ()
        assert [one.read() for one in copy.outcome("last").attachments] == photographs


def test_captures_that_were_damaged_do_not_get_into_a_backup_and_are_named(wavewright: Command, tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        book.enter_all([outcome(0, seed=1), outcome(1, seed=2), outcome(2, seed=3)])
        whole, damaged, gone = sorted(book.codes.folder.rglob("*.h5"))
    damaged.write_bytes(damaged.read_bytes()[:-200])
    gone.unlink()
    told = wavewright("logbook", "backup", tmp_path / "backup.sqlite", "--logbook", tmp_path / "line.sqlite")
    assert told.status == 3
    assert str(gone) in told.stderr
    assert told.stderr.count("not in the backup: ") == 2
    assert [path.name for path in (tmp_path / "backup.sqlite.captures").rglob("*.h5")] == [whole.name]


@pytest.mark.parametrize("target", ["line.sqlite", "postgresql://station@server/line"])
def test_a_place_that_is_none_for_a_backup_is_refused(tmp_path: Path, target: str) -> None:
    with Logbook(tmp_path / "line.sqlite") as book, pytest.raises(Misuse, match="expected: the path of another file"):
        back_up(book, str(tmp_path / target) if ":" not in target else target)


def test_a_backup_that_somebody_has_open_is_left_alone(tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        book.enter(outcome(0))
        back_up(book, tmp_path / "backup.sqlite")
        with closing(sqlite3.connect(tmp_path / "backup.sqlite")) as plain:
            plain.execute("PRAGMA journal_mode = WAL")
            plain.execute("create table notes (text)")
            with pytest.raises(StorageFault, match="the backup is in use"):
                back_up(book, tmp_path / "backup.sqlite")


def test_a_server_restored_elsewhere_is_the_same_logbook(server: Server, tmp_path: Path) -> None:
    # given runs in a database, and their captures in a shared store
    store, copies = tmp_path / "store", tmp_path / "copies"
    with Logbook(server.new_database("lost"), captures=store, codes=tmp_path / "station") as book:
        book.enter_all([made(0), made(1)], station="line 2")
        book.codes.send_waiting()
        heads = {chain.station: chain.sha256 for chain in verify(book).chains}
        with pytest.raises(Misuse, match="pg_dump"):
            back_up(book, tmp_path / "backup.sqlite")
    # when both are backed up, the database first, and lost
    server.dump("lost", tmp_path / "line.dump")
    shutil.copytree(store, copies)
    server.sql("postgres", "drop database lost")
    shutil.rmtree(store)
    shutil.rmtree(tmp_path / "station")
    # then they are whole in an empty database of a computer that has nothing else, and go on
    url = server.new_database("restored")
    server.restore(tmp_path / "line.dump", "restored")
    with Logbook(url, captures=copies, codes=tmp_path / "office") as book:
        assert is_whole(book, heads, 2)
        book.enter(made(2), station="line 2")
        book.codes.send_waiting()
        assert verify(book, known_heads=list(heads.values())).flaws == ()
