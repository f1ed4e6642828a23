"""Attached files and later notes between logbooks, and when they go: with lines, with `prune`, in a shared store."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.logbook.made_outcomes import outcome
from tests.logbook.test_attachments import JPEG, Command, _sql, png
from wavewright.errors import FileFault, StorageFault
from wavewright.logbook import arrivals, maintenance
from wavewright.logbook import book as book_module
from wavewright.logbook.attaching import attach_later
from wavewright.logbook.backup import back_up
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import export
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.kept_files import KeptFiles
from wavewright.logbook.maintenance import prune
from wavewright.logbook.outcome_files import attached_beside
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.verification import verify
from wavewright.running import attachment
from wavewright.running.attachment import Attachment

PHOTO, OTHER, LATE = png(1), png(2), JPEG


def attached(*contents: bytes) -> tuple[Attachment, ...]:
    """Photographs as they are attached to a run before it is entered."""
    return tuple(
        Attachment(
            "2026-03-02T08:00:00+00:00", "R. Okafor", name=f"photo {at}.png", size=len(content),
            sha256=hashlib.sha256(content).hexdigest(), content=content,
        )
        for at, content in enumerate(contents)
    )  # fmt: skip


def with_three_runs(book: Logbook) -> list[str]:
    """Runs 0 and 1 have one photograph in common; run 1 has another one, and run 2 gets one later, and a note."""
    made = (outcome(0, seed=1), outcome(1), outcome(2))
    ids = [
        book.enter(replace(one, attachments=attached(*contents)), station="line_1")
        for one, contents in zip(made, ((PHOTO,), (PHOTO, OTHER), ()), strict=True)
    ]
    attach_later(book, ids[2], attached(LATE))
    attach_later(book, ids[2], [attachment.note_of("returned <b>", at=datetime(2026, 3, 3, tzinfo=UTC), by="N. L.")])
    return ids


def kept(book: Logbook) -> set[str]:
    return set(book.codes.files.contents())


def hashes(*contents: bytes) -> set[str]:
    return {hashlib.sha256(content).hexdigest() for content in contents}


def test_attached_files_and_later_notes_go_along_in_lines_and_come_back(tmp_path: Path, wavewright: Command) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        ids = with_three_runs(book)
        before = [book.outcome(run) for run in ids]
    lines = tmp_path / "runs.jsonl"
    assert wavewright("logbook", "export", lines, "--logbook", tmp_path / "line.sqlite").status == 0
    assert {path.name for path in (tmp_path / "runs.jsonl.attached").iterdir()} == hashes(PHOTO, OTHER, LATE)
    with Logbook(tmp_path / "office.sqlite") as office:
        assert import_outcomes(office, lines).new == 3
        assert verify(office).flaws == ()
        for run, was in zip(ids, before, strict=True):
            now = office.outcome(run)
            assert (now.attachments, now.added) == (was.attachments, was.added)
            files = [one for one in (*now.attachments, *now.added) if not one.is_note]
            assert [hashlib.sha256(one.read()).hexdigest() for one in files] == [one.sha256 for one in files]
        # a file that is lost there, or a note that is changed, is found, although no captures came along
        for content in (OTHER, LATE):
            path = office.codes.files.path(hashlib.sha256(content).hexdigest())
            path.unlink()
            assert [flaw.what for flaw in verify(office).flaws] == [f"an attachment is missing: {path}"]
            office.codes.files.add(path.name, content)
        assert import_outcomes(office, lines).new == 0
        assert verify(office).flaws == ()
        # and it goes on from there
        export(office, tmp_path / "again.jsonl")
        assert back_up(office, tmp_path / "safe.sqlite").missing == ()
    assert (tmp_path / "again.jsonl").read_bytes() == lines.read_bytes()
    with Logbook(tmp_path / "safe.sqlite") as safe:
        assert kept(safe) == hashes(PHOTO, OTHER, LATE)


def test_lines_without_their_files_say_so_and_are_whole_all_the_same(tmp_path: Path) -> None:
    lines, told = tmp_path / "runs.jsonl", list[str]()
    with Logbook(tmp_path / "line.sqlite") as book:
        ids = with_three_runs(book)
        book.codes.files.path(hashlib.sha256(OTHER).hexdigest()).write_bytes(b"damaged")
        export(book, lines, tell=told.append)
    assert len(told) == 1
    assert f"attached to {ids[1]} does not go along" in told[0]
    assert {path.name for path in attached_beside(lines).iterdir()} == hashes(PHOTO, LATE)
    (attached_beside(lines) / hashlib.sha256(LATE).hexdigest()).unlink()
    with Logbook(tmp_path / "office.sqlite") as office:
        assert [note.partition(": ")[2] for note in import_outcomes(office, lines).notes] == [
            "attached files that did not come along: photo 1.png",
            "attached files that did not come along: photo 0.png",
        ]
        assert verify(office).flaws == ()
        assert [one.name or one.text for one in office.outcome(ids[2]).added] == ["photo 0.png", "returned <b>"]
        with pytest.raises(StorageFault, match="an attachment is missing"):
            office.outcome(ids[2]).added[0].read()
        assert kept(office) == hashes(PHOTO)
    # one that was changed on its way is refused, and nothing is entered
    (attached_beside(lines) / hashlib.sha256(PHOTO).hexdigest()).write_bytes(OTHER)
    with Logbook(tmp_path / "third.sqlite") as third, pytest.raises(StorageFault, match="has changed"):
        import_outcomes(third, lines)
    with Logbook(tmp_path / "third.sqlite") as third:
        assert entries(third) == []


@pytest.mark.parametrize("key", ["added", "attachments"])
def test_a_line_whose_attachment_names_a_path_is_refused(key: str, tmp_path: Path) -> None:
    lines = tmp_path / "runs.jsonl"
    with Logbook(tmp_path / "line.sqlite") as book:
        with_three_runs(book)
        export(book, lines)
    (tmp_path / "secret").write_text("secret")
    wrong = []
    for line in lines.read_text(encoding="utf-8").splitlines():
        plain = json.loads(line)
        place = plain if key == "added" else plain["outcome"]
        for one in place.get(key, ()):
            if "sha256" in one:
                one["sha256"] = "../secret"
        wrong.append(json.dumps(plain))
    lines.write_text("\n".join(wrong), encoding="utf-8")
    with Logbook(tmp_path / "other.sqlite") as other, pytest.raises(FileFault, match=rf"{key}\[0\].sha256"):
        import_outcomes(other, lines)


def test_prune_takes_attached_files_that_no_run_has_any_more(tmp_path: Path, wavewright: Command) -> None:
    own = ("--logbook", tmp_path / "line.sqlite", "--out", tmp_path / "outcomes")
    with Logbook(tmp_path / "line.sqlite") as book:
        ids = with_three_runs(book)
        assert prune(book, None).attached == 0
        would = wavewright("logbook", "prune", "--serial", "VC204-0001", *own).stdout
        assert "1 attached files, 0.0 MB, would be deleted; --yes deletes them" in would
        assert kept(book) == hashes(PHOTO, OTHER, LATE)
        assert (
            "1 attached files, 0.0 MB, deleted"
            in wavewright("logbook", "prune", "--serial", "VC204-0001", "--yes", *own).stdout
        )
        # the one that another run has stays; which one went is in the chain
        assert kept(book) == hashes(PHOTO, LATE)
        with book.reading() as connection:
            note = connection.exec_driver_sql("SELECT note FROM links WHERE kind = 'taken_out'").scalar_one()
        assert json.loads(note)["attached"] == sorted(hashes(OTHER))
        assert [one.read() for one in book.outcome(ids[0]).attachments] == [PHOTO]
        assert verify(book).flaws == ()
        assert prune(book, Filter(serial="VC204-0002")).attached == 1
        assert kept(book) == hashes(PHOTO)
        assert verify(book).flaws == ()


def test_a_prune_that_is_killed_leaves_nothing_half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def killed(*_: object, **__: object) -> int:
        raise KeyboardInterrupt

    with Logbook(tmp_path / "line.sqlite") as book:
        with_three_runs(book)
        with monkeypatch.context() as held:
            held.setattr(maintenance, "note_taken_out", killed)  # before the transaction ends: all of it is taken back
            with pytest.raises(KeyboardInterrupt):
                prune(book, Filter(serial="VC204-0001"))
        assert len(entries(book)) == 3
        assert verify(book).flaws == ()
        with monkeypatch.context() as held:
            held.setattr(KeptFiles, "remove", killed)
            with pytest.raises(KeyboardInterrupt):
                prune(book, Filter(serial="VC204-0001"))
        assert (len(entries(book)), kept(book)) == (2, hashes(PHOTO, OTHER, LATE))
        assert verify(book).flaws == ()
        assert prune(book, None).attached == 1
        assert kept(book) == hashes(PHOTO, LATE)
        # and a document that cannot be read names files that nobody knows: none goes then
        _sql(book, "UPDATE outcomes SET document = substr(document, 9) WHERE serial = 'VC204-0000'")
        assert prune(book, Filter(serial="VC204-0002")).attached == 0
        assert kept(book) == hashes(PHOTO, LATE)


def test_files_that_prune_took_while_a_run_was_on_its_way_are_kept_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        original = arrivals.arrival

        def with_a_prune_after_it(*given: Any) -> Any:
            made = original(*given)
            assert prune(book, None).attached == 1
            return made

        monkeypatch.setattr(book_module, "arrival", with_a_prune_after_it)
        run = book.enter(replace(outcome(0), attachments=attached(PHOTO)))
        assert [one.read() for one in book.outcome(run).attachments] == [PHOTO]
        assert verify(book).flaws == ()


def test_a_shared_store_is_cleared_where_it_is_named(tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite", captures=tmp_path / "shared") as book:
        with_three_runs(book)
        assert book.codes.files.send_waiting() == 3
        prune(book, Filter(serial="VC204-0001"))
        assert set(book.codes.files.contents_shared()) == hashes(PHOTO, OTHER, LATE)
        assert prune(book, None, shared=True).attached == 1
        assert set(book.codes.files.contents_shared()) == hashes(PHOTO, LATE)
        assert verify(book).flaws == ()
