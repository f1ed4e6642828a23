"""A logbook about which nothing has to be known before a run is opened when the run has ended."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.logbook import late_delivery, logbook_file
from wavewright.logbook.book import Logbook
from wavewright.logbook.kept_run import run
from wavewright.logbook.late_delivery import LateDelivery, plain_logbook
from wavewright.logbook.line_notes import NoteKind, enter_notes, notes_in
from wavewright.logbook.migrations import NEWEST_LAYOUT
from wavewright.logbook.quarantine import set_apart
from wavewright.logbook.queries import entries
from wavewright.logbook.spool_folder import spool_beside
from wavewright.recipe.load import load_recipe
from wavewright.running.run_options import RunOptions

ROOT = Path(__file__).parents[2]
RECIPE, BENCH = ROOT / "recipes" / "rail_ripple.yaml", ROOT / "sim" / "bench.yaml"
UNIT = "VC204-0017"
GOLDEN = """\
golden:
  every: 8 h
  units: {VC204-9001: {expect: {rail_noise.ripple: 30 mV ± 4 mV}}}
"""


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A logbook that another unit was entered into; the spool of this user is one of the test's own."""
    monkeypatch.delenv("WAVEWRIGHT_CAPTURES", raising=False)
    usual = spool_beside(None)
    monkeypatch.setattr(late_delivery, "spool_beside", lambda out: tmp_path / "usual" if out is None else out / "spool")
    assert usual != tmp_path
    path = tmp_path / "book.sqlite"
    with Logbook(path) as opened:
        opened.enter(outcome(serial="VC204-0001"))
    return path


def is_plain(book: Path | str, folder: Path, *, serial: str = UNIT, **more: object) -> bool:
    options = RunOptions(logbook=book, serial=serial, **more)  # type: ignore[arg-type]
    return plain_logbook(load_recipe(RECIPE), options, out=folder / "outcomes") is not None


def test_the_layout_is_that_of_the_migrations() -> None:
    assert logbook_file.LAYOUT == NEWEST_LAYOUT


def test_a_logbook_that_knows_nothing_of_the_unit_is_plain(book: Path, tmp_path: Path) -> None:
    assert is_plain(book, tmp_path)
    assert is_plain(book, tmp_path, serial="")
    found = plain_logbook(load_recipe(RECIPE), RunOptions(logbook=book), out=None)
    with Logbook(book) as opened:
        assert found is not None
        assert LateDelivery(book, found, out=None, say=print).codes.folder == opened.codes.folder


def _another_layout(book: Path) -> None:
    with closing(sqlite3.connect(book)) as database, database:
        database.execute("UPDATE layout_version SET version = version - 1")


def _no_layout(book: Path) -> None:
    with closing(sqlite3.connect(book)) as database, database:
        database.execute("DELETE FROM layout_version")


def _another_database(book: Path) -> None:
    book.unlink()
    with closing(sqlite3.connect(book)) as database, database:
        database.execute("CREATE TABLE birds (name)")


def _a_shared_store(book: Path) -> None:
    with closing(sqlite3.connect(book)) as database, database:
        database.execute("INSERT INTO capture_stores VALUES ('file:///shared', 0)")


def _a_note(book: Path) -> None:
    with Logbook(book) as opened:
        enter_notes(opened, [set_apart(["VC204-0001"], reason="dropped", operator="R. Okafor")])


def _an_earlier_run(book: Path) -> None:
    with Logbook(book) as opened:
        opened.enter(outcome(serial=UNIT))


def _waits(name: str) -> Callable[[Path], None]:
    def put(book: Path) -> None:
        (book.parent / name).parent.mkdir(parents=True)
        (book.parent / name).write_text("{}")

    return put


@pytest.mark.parametrize(
    "change",
    [
        Path.unlink,
        lambda book: book.write_text("no database"),
        lambda book: book.write_bytes(b""),
        _another_layout,
        _no_layout,
        _another_database,
        _a_shared_store,
        _a_note,
        _an_earlier_run,
        _waits("outcomes/spool/20260302-080004-1f2e3d4c.jsonl"),
        _waits("outcomes/spool/note-1f2e3d4c.json"),
        _waits("usual/20260302-080004-1f2e3d4c.jsonl"),
    ],
)
def test_anything_else_is_looked_at_before_the_run(
    change: Callable[[Path], object], book: Path, tmp_path: Path
) -> None:
    assert is_plain(book, tmp_path)
    change(book)
    assert not is_plain(book, tmp_path)


def test_so_are_other_places_and_batches(book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not is_plain(f"sqlite:///{book.as_posix()}", tmp_path)
    assert not is_plain(book, tmp_path, batch="lot-7")
    assert not is_plain(book, tmp_path, captures=tmp_path / "shared")
    recipe = tmp_path / "golden.yaml"
    recipe.write_text(RECIPE.read_text(encoding="utf-8") + GOLDEN, encoding="utf-8")
    assert plain_logbook(load_recipe(recipe), RunOptions(logbook=book), out=None) is None
    monkeypatch.setattr("os.access", lambda path, mode: Path(path) != book)
    assert not is_plain(book, tmp_path), "whoever cannot write is told by those who open it"
    monkeypatch.undo()
    monkeypatch.setenv("WAVEWRIGHT_CAPTURES", str(tmp_path / "shared"))
    assert not is_plain(book, tmp_path)


def test_a_run_is_entered_with_its_notes_as_by_the_other_way(book: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "rail.yaml"
    text = RECIPE.read_text(encoding="utf-8").replace("40 mV", "10 mV")
    head = "quarantine: [not passed after retests]\nmeasurements:\n"
    recipe.write_text(text.replace("measurements:\n", head), encoding="utf-8")
    said: list[str] = []
    done = run(recipe, bench=BENCH, serial=UNIT, station="line_2", logbook=book, out=tmp_path / "outcomes",
               say=said.append)  # fmt: skip
    assert f"{UNIT}: in quarantine: fail" in said
    with Logbook(book) as opened:
        found = next(entry for entry in entries(opened) if entry.id == done.id)
        assert (found.serial, found.verdict, found.station, found.batch) == (UNIT, "fail", "line_2", "")
        assert len(opened.outcome(done.id).captures["rail_noise"]) == 1
        (note,) = notes_in(opened, NoteKind.QUARANTINE)
        assert (note.says["serials"], note.station) == ([UNIT], "line_2")
    assert not is_plain(book, tmp_path)


def test_an_outcome_waits_where_the_logbook_has_become_something_else_meanwhile(book: Path, tmp_path: Path) -> None:
    class Meddler:
        """Spoils the logbook at the first step of the run."""

        def begin(self, label: str, *, shots: int) -> None:
            book.write_text("no database any more, and longer than the hundred bytes of its head" * 3)

        def step(self, text: str) -> None: ...

        def shot(self, number: int) -> None: ...

        def end(self, outcome: object) -> None: ...

    said: list[str] = []
    done = run(RECIPE, bench=BENCH, serial=UNIT, logbook=book, out=tmp_path / "outcomes", progress=Meddler(),
               say=said.append)  # fmt: skip
    assert done.waits_in is not None
    assert done.waits_in.parent == tmp_path / "outcomes" / "spool"
    assert any("the next run or `wavewright logbook forward` enters it" in line for line in said)
    assert done.verdict == "pass"
