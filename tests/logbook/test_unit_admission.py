"""Units in quarantine and units that had their retests: refused, unless somebody answers for it; all of it is kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest
from sqlalchemy import Connection, Table

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from wavewright.errors import Misuse, StorageFault
from wavewright.judgement.verdict import Verdict
from wavewright.logbook import chain, delivery
from wavewright.logbook.book import Logbook
from wavewright.logbook.database import insert_rows
from wavewright.logbook.delivery import Delivery
from wavewright.logbook.kept_run import run
from wavewright.logbook.line_notes import NoteKind, enter_notes, note_now, notes_in
from wavewright.logbook.quarantine import in_quarantine, release, set_apart
from wavewright.logbook.queries import entries
from wavewright.logbook.verification import verify
from wavewright.reporting.batch import study_batch
from wavewright.running.outcome import Outcome

ROOT = Path(__file__).parents[2]
Command = Callable[..., Spoken]
HEAD = """\
retest: {at_most: 1, when: [fail, inconclusive], verdict: last, by_itself: false}
quarantine: [not passed after retests]
measurements:
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "rail.yaml"
    text = (ROOT / "recipes" / "rail_ripple.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("measurements:\n", HEAD).replace("40 mV", "10 mV"), encoding="utf-8")
    return path


def test_a_unit_is_refused_after_its_retests_and_in_quarantine(tmp_path: Path, recipe: Path) -> None:
    book = tmp_path / "logbook.sqlite"
    said: list[str] = []

    def once(**more: object) -> Outcome:
        return run(
            recipe, bench=ROOT / "sim" / "bench.yaml", serial="VC204-0017", logbook=book, say=said.append,
            seed=1, draw=1, **more,  # type: ignore[arg-type]
        )  # fmt: skip

    # given a unit that fails twice
    first, second = once(), once()
    assert (first.verdict, first.retest, first.retest_of) == (Verdict.FAIL, 0, "")
    assert (second.retest, second.retest_of) == (1, first.id)
    assert any("VC204-0017: in quarantine: fail after 1 retests" in line for line in said)
    # then it is refused, first for its quarantine
    with pytest.raises(Misuse, match=r"is in quarantine since .* by a rule of the recipe: fail after 1 retests"):
        once()
    with pytest.raises(Misuse, match="--quarantined-anyway without a name"):
        once(quarantined_anyway=True)
    with pytest.raises(Misuse, match="is not run again: it was run 2 times; the recipe allows 1 retests"):
        once(quarantined_anyway=True, operator="R. Okafor")
    third = once(quarantined_anyway=True, retest_anyway=True, operator="R. Okafor")
    assert "fail after 1 retests" in third.quarantined
    with Logbook(book) as opened:
        (note,) = notes_in(opened, NoteKind.RETEST)
        assert (note.operator, note.says["serial"], note.says["run"]) == ("R. Okafor", "VC204-0017", third.id)
        assert len(note.says["earlier"]) == 2
        kept = opened.outcome(third.id)
        assert (kept.retest, kept.retest_of, kept.quarantined) == (2, first.id, third.quarantined)
        # and the study of all of them counts one unit, that failed, with all its runs
        study = study_batch(opened)
        assert (study.first_pass.count, study.final.count, study.final.total) == (0, 0, 1)
        assert [len(one.runs) for one in study.unit_rows] == [3]
        assert study.in_quarantine == ("VC204-0017",)
        # when it is released, it begins anew
        enter_notes(opened, [release(["VC204-0017"], notes_in(opened), reason="C12 replaced", operator="M. Ilves")])
        assert not verify(opened).flaws
    again = once()
    assert (again.quarantined, again.retest) == ("", 0)


def test_a_kill_leaves_the_outcome_with_its_quarantine_or_without_both(
    tmp_path: Path, recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def once() -> Outcome:
        return run(
            recipe, bench=ROOT / "sim" / "bench.yaml", serial="VC204-0017", out=tmp_path / "out",
            logbook=tmp_path / "logbook.sqlite", seed=1, draw=1,
        )  # fmt: skip

    def kept() -> tuple[int, int]:
        with Logbook(tmp_path / "logbook.sqlite") as book:
            assert not verify(book).flaws
            return len(entries(book)), len(notes_in(book, NoteKind.QUARANTINE))

    once()
    # when the process ends as the note is written, then the run that it follows from is not in the logbook either
    insert = insert_rows

    def killed(connection: Connection, table: Table, rows: Sequence[Mapping[str, object]], *, count: int) -> None:
        if any(row.get("kind") == chain.LINE for row in rows):
            raise KeyboardInterrupt
        insert(connection, table, rows, count=count)

    with monkeypatch.context() as held:
        held.setattr(chain, "insert_rows", killed)
        with pytest.raises(KeyboardInterrupt):
            once()
    assert kept() == (1, 0)


def test_a_note_waits_before_the_outcome_that_it_follows_from(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object, **__: object) -> None:
        raise StorageFault("the logbook is away")

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    made = outcome(0, serial="VC204-0017")
    sent = Delivery(tmp_path / "logbook.sqlite", out=tmp_path / "out", may_be_away=True, say=print)
    monkeypatch.setattr(Logbook, "enter_named", away)
    monkeypatch.setattr(delivery, "put_aside", killed)
    with pytest.raises(KeyboardInterrupt):
        sent.deliver(
            made, made, station="line_1", batch="",
            notes=lambda one: [set_apart([one.serial], reason="fail", run=one.id)],
        )  # fmt: skip
    (note,) = sent.records.journal.notes()
    assert (note.says["serials"], bool(note.says["run"])) == (["VC204-0017"], True)
    sent.close()


def test_a_release_lifts_only_what_it_names(tmp_path: Path) -> None:
    with Logbook(tmp_path / "logbook.sqlite") as book:
        enter_notes(book, [set_apart(["A1", "A2"], reason="wrong solder", operator="R. Okafor")])
        lifted = release(["A1"], notes_in(book), reason="looked at", operator="R. Okafor")
        # a quarantine that comes in between, and is entered before the release, stays
        enter_notes(book, [set_apart(["A1"], reason="dropped", operator="M. Ilves")])
        enter_notes(book, [lifted])
        apart = in_quarantine(notes_in(book))
        assert {serial: [note.says["reason"] for note in notes] for serial, notes in apart.items()} == {
            "A1": ["dropped"], "A2": ["wrong solder"],
        }  # fmt: skip
    for refused in (
        lambda: release(["A9"], [], reason="x", operator="R."), lambda: release(["A1"], [], reason="", operator="R."),
        lambda: set_apart(["A1 "], reason="x"), lambda: set_apart(["\ufeffA1"], reason="x"),
        lambda: set_apart([], reason="x"), lambda: set_apart(["A1"], reason="\0"),
    ):  # fmt: skip
        with pytest.raises(Misuse):
            refused()


def test_a_quarantine_that_waits_in_the_spool_counts_here(tmp_path: Path, recipe: Path) -> None:
    book = tmp_path / "logbook.sqlite"
    with Logbook(book) as opened:
        from wavewright.logbook.unit_admission import LineRecords

        away = LineRecords.of(None, tmp_path / "spool", identity=opened.identity)
        away.journal.write(set_apart(["VC204-0017"], reason="golden unit failed", station="line_1"))
        waiting = LineRecords.of(opened, tmp_path / "spool", identity=opened.identity)
        assert set(in_quarantine(waiting.journal.notes())) == {"VC204-0017"}
        other = LineRecords.of(opened, tmp_path / "spool", identity="another logbook")
        assert not in_quarantine(other.journal.notes())
        # a file that is damaged stays, and is said when the spool is forwarded
        (tmp_path / "spool" / "note-1.json").write_text("{", encoding="utf-8")
        from wavewright.logbook.spool import forward

        assert "not a note of the line" in forward(opened, tmp_path / "spool").faults[0]
        assert set(in_quarantine(notes_in(opened))) == {"VC204-0017"}


def test_the_commands(wavewright: Command, tmp_path: Path) -> None:
    book = tmp_path / "logbook.sqlite"
    with Logbook(book) as opened:
        opened.enter(outcome(0, serial="VC204-0001"), batch="lot-7")
        opened.enter(outcome(1, serial="VC204-0002"), batch="lot-7")
    at = ("--logbook", book)
    assert "no unit is in quarantine" in wavewright("logbook", "quarantine", *at).stdout
    refused = wavewright("logbook", "quarantine", "VC204-0001", "--reason", "cracked", *at)
    assert (refused.status, "without a name" in refused.stderr) == (64, True)
    told = wavewright(
        "logbook", "quarantine", "--batch-name", "lot-7", "--reason", "wrong solder", "--operator", "R. Okafor", *at
    )
    assert told.stdout == "VC204-0001: in quarantine\nVC204-0002: in quarantine\n"
    listed = wavewright("logbook", "list", *at, "--json").json
    assert [run["in_quarantine"] for run in listed] == [True, True]
    assert "in quarantine" in wavewright("logbook", "list", *at).stdout
    released = wavewright("logbook", "release", "VC204-0001", "--reason", "looked at", "--operator", "M. Ilves", *at)
    assert released.stdout == "VC204-0001: released\n"
    (left,) = wavewright("logbook", "quarantine", *at, "--json").json
    assert (left["serial"], left["notes"][0]["operator"]) == ("VC204-0002", "R. Okafor")
    assert wavewright("logbook", "release", "VC204-0001", "--reason", "x", "--operator", "y", *at).status == 64
    # a pass of a unit in quarantine is no good unit
    assert "final yield: 50.0 % (1 of 2 units" in wavewright("study", "yield", *at).stdout


def test_golden_units_are_in_no_yield(wavewright: Command, tmp_path: Path) -> None:
    book = tmp_path / "logbook.sqlite"
    with Logbook(book) as opened:
        opened.enter(outcome(0, serial="VC204-0001"))
        opened.enter(outcome(1, serial="VC204-9002", value=0.055), batch="golden")
    told = wavewright("study", "yield", "--logbook", book)
    assert "final yield: 100.0 % (1 of 1 units" in told.stdout
    assert "1 runs of golden units are left out" in told.stderr
    assert "0.0 % (0 of 1" in wavewright("study", "yield", "--batch-name", "golden", "--logbook", book).stdout


def test_a_note_keeps_what_it_says_in_any_language(tmp_path: Path) -> None:
    with Logbook(tmp_path / "logbook.sqlite") as book:
        enter_notes(book, [note_now(NoteKind.QUARANTINE, station="Linie", serials=["Ä1"], reason="Lötstelle 12 µm")])
        (note,) = notes_in(book)
        assert json.loads(json.dumps(note.as_json()))["says"]["reason"] == "Lötstelle 12 µm"
        assert not verify(book).flaws
