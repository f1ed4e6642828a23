"""Notes, photographs and files of a run, and pictures of where the probes go: kept once, hashed, chained, shown."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import wavewright as ww
from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.logbook.attaching import attach_later
from wavewright.logbook.backup import back_up
from wavewright.logbook.book import Logbook
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.outcome_files import read_document, read_outcome
from wavewright.logbook.verification import verify
from wavewright.recipe.load import load_recipe
from wavewright.recipe.picture_file import picture_media
from wavewright.recipe.place_pictures import LARGEST_PICTURE
from wavewright.reporting.html import html
from wavewright.running import attachment

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "sim/bench.yaml"
RECIPE = """\
wavewright: 1
title: pictures
measurements:
  rail:
    place: Probe 1 on TP3.
    pictures: [PICTURES]
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, points: 1k}
    compute: {level: {metric: mean, of: rail, limit: 3.3 V ± 5 %}}
"""
Command = Callable[..., Spoken]


def png(shade: int = 0) -> bytes:
    """A picture of one grey pixel, by the PNG specification (W3C, third edition), 5.3 and 11.2; † from memory."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    pixels = zlib.compress(bytes([0, shade]))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


JPEG = bytes.fromhex("ffd8 ffe0 0004 4a46 ffc0 000b 08 0001 0001 01 01 11 00 ffda 0008 01 01 00 00 3f 00 a0 ffd9")


def write(folder: Path, pictures: str = "tp3.png") -> Path:
    (folder / "tp3.png").write_bytes(png())
    path = folder / "pictures.yaml"
    path.write_text(RECIPE.replace("PICTURES", pictures), encoding="utf-8")
    return path


def test_only_whole_pictures_are_pictures() -> None:
    from PIL import Image  # an implementation of both formats that knows nothing of ours

    for kind, media in (("PNG", "image/png"), ("JPEG", "image/jpeg")):
        made = io.BytesIO()
        Image.new("RGB", (40, 30), (200, 10, 10)).save(made, kind)
        whole = made.getvalue()
        assert picture_media(whole) == media
        assert not any(picture_media(whole[:length]) for length in range(len(whole)))
    damaged = bytearray(png())
    damaged[-20] ^= 1
    assert picture_media(bytes(damaged)) == ""
    assert picture_media(JPEG) == "image/jpeg"
    assert picture_media(b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>") == ""


@pytest.mark.parametrize(
    "written, said",
    [
        ("missing.png", "cannot be read"),
        ("../tp3.png", "leads out of the folder"),
        ("/etc/hostname", "leads out of the folder"),
        ("'C:\\tp3.png'", "leads out of the folder"),
        ("cut.png", "is not a whole PNG or JPEG"),
        ("drawing.svg", "is not a whole PNG or JPEG"),
        ("large.png", "is larger than that"),
    ],
)
def test_a_picture_that_cannot_be_shown_is_a_fault_with_its_place(
    written: str, said: str, tmp_path: Path, wavewright: Command
) -> None:
    (tmp_path / "cut.png").write_bytes(png()[:-5])
    (tmp_path / "drawing.svg").write_text("<svg/>")
    (tmp_path / "large.png").write_bytes(png() + bytes(LARGEST_PICTURE))
    recipe = write(tmp_path, f"tp3.png, {written}")
    with pytest.raises(FileFault) as caught:
        load_recipe(recipe)
    assert str(caught.value).startswith(f"{recipe}:6:25: ")
    assert said in str(caught.value)
    assert said in wavewright("validate", recipe).stderr


@pytest.mark.posix
def test_a_picture_that_a_link_leads_elsewhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "outside.png").write_bytes(png())
    folder = tmp_path / "recipes"
    folder.mkdir()
    (folder / "link.png").symlink_to(tmp_path / "outside.png")
    with pytest.raises(FileFault, match="leads out of the folder by a link"):
        load_recipe(write(folder, "link.png"))


def test_a_terminal_gets_a_link_and_a_pipe_the_path(tmp_path: Path) -> None:
    path = tmp_path / "tp3.png"
    for is_terminal in (True, False):
        printed = io.StringIO()
        console = Console(file=printed, force_terminal=is_terminal, width=200, legacy_windows=False)
        OperatorTerminal(console, is_attended=False).show_picture(path)
        assert str(path) in printed.getvalue()
        # OSC 8, the terminals' convention for links: no formal standard
        assert (f";{path.as_uri()}\x1b\\" in printed.getvalue()) is is_terminal


def test_everything_of_a_run_is_kept_shown_and_verified(tmp_path: Path, wavewright: Command) -> None:
    recipe, out, logbook = write(tmp_path), tmp_path / "out", tmp_path / "book.sqlite"
    photo, script = tmp_path / "photo <b>.png", tmp_path / "log.html"
    photo.write_bytes(png(7))
    script.write_text("<script>alert(1)</script>")

    class Desk:
        def __init__(self) -> None:
            self.shown, self.notes = list[Path](), ["tip\nslipped once"]

        def confirm(self, text: str) -> None:
            """Nothing."""

        def say(self, text: str) -> None:
            """Nothing."""

        def show_picture(self, path: Path) -> None:
            self.shown.append(path)

        def take_notes(self) -> list[str]:
            notes, self.notes = self.notes, []
            return notes

    store, desk = tmp_path / "shared", Desk()
    outcome = ww.run(
        recipe, bench=BENCH, out=out, logbook=logbook, captures=store, operator="R. Okafor", desk=desk,
        attach=[photo, script], note="X3 <reseated>", seed=1,
    )  # fmt: skip
    assert outcome.error == ""
    assert desk.shown == [tmp_path / "tp3.png"]
    names = [(one.name, one.of, one.text) for one in outcome.attachments]
    assert names == [
        ("tp3.png", "rail", ""),
        ("photo <b>.png", "", ""),
        ("log.html", "", ""),
        ("", "", "X3 <reseated>"),
        ("", "", "tip\nslipped once"),
    ]
    assert outcome.folder is not None
    assert {path.name for path in (outcome.folder / "attached").iterdir()} == {
        hashlib.sha256(content).hexdigest() for content in (png(), png(7), script.read_bytes())
    }
    # when the files are changed or deleted afterwards, then what was attached is what is shown
    photo.write_bytes(png(8))
    (tmp_path / "tp3.png").unlink()
    before = read_document(outcome.folder)
    with Logbook(logbook) as book:
        found = book.outcome("last")
        page = html(found)
        head = verify(book).chains[0].sha256
    assert page.count('<img src="data:image/png;base64,') == 2
    assert 'alt="photo &lt;b&gt;.png"' in page
    assert "<script>alert" not in page
    assert "X3 &lt;reseated&gt;" in page
    assert "; img-src data:" in page
    assert [one.read() for one in found.attachments if one.name][1] == png(7)
    # when more is attached later, then the outcome is as it was, and the chain has grown
    own = ("--logbook", logbook, "--captures", store)
    later = tmp_path / "later.jpg"
    later.write_bytes(JPEG)
    assert wavewright("logbook", "attach", "last", later, "--operator", "N. Lindqvist", *own).status == 0
    assert wavewright("logbook", "note", "last", "returned to stock", *own[:2]).status == 0
    assert read_document(outcome.folder) == before
    with Logbook(logbook, captures=store) as book:
        found = book.outcome("last")
        checked = verify(book, known_heads=[head])
        assert checked.flaws == ()
    assert [one.name or one.text for one in found.added] == ["later.jpg", "returned to stock"]
    assert 'src="data:image/jpeg;base64,' in html(found)
    assert "note: returned to stock" in wavewright("logbook", "show", "last", *own[:2]).stdout
    # and an office with the two addresses only sees the same
    with Logbook(logbook, captures=store, codes=tmp_path / "office") as book:
        assert html(book.outcome("last")) == html(found)
    # and the evidence is enough for another logbook
    with Logbook(tmp_path / "other.sqlite") as book:
        import_outcomes(book, out)
        assert book.outcome("last").attachments == outcome.attachments
        assert verify(book).flaws == ()
    # a file that is changed where it is kept, a note that is changed, and one that is deleted are found
    kept = hashlib.sha256(JPEG).hexdigest()
    changes: list[tuple[Callable[[Logbook], Any], str]] = [
        (lambda book: book.codes.files.path(kept).write_bytes(JPEG[:-2] + b"??"), f"{kept} has changed"),
        (
            lambda book: _sql(book, "UPDATE links SET note = replace(note, 'returned', 'shipped')"),
            "link 3 of the chain",
        ),
        (lambda book: _sql(book, "DELETE FROM links WHERE note LIKE '%to stock%'"), "ends with link 2"),
    ]
    for change, said in changes:
        with Logbook(logbook) as book:
            change(book)
            assert any(said in flaw.what for flaw in verify(book).flaws)


def test_a_backup_has_what_is_attached_and_names_what_was_damaged(tmp_path: Path) -> None:
    (tmp_path / "tip.jpg").write_bytes(JPEG)
    files = attachment.files_of([tmp_path / "tip.jpg"], at=datetime(2026, 3, 2, tzinfo=UTC))
    with Logbook(tmp_path / "book.sqlite") as book:
        run = book.enter(outcome(1))
        attach_later(book, run, files)
        assert back_up(book, tmp_path / "safe" / "backup.sqlite").missing == ()
        book.codes.files.path(files[0].sha256).write_bytes(b"damaged")
        assert "has changed" in back_up(book, tmp_path / "late" / "backup.sqlite").missing[0]
    with Logbook(tmp_path / "safe" / "backup.sqlite") as book:
        assert [one.read() for one in book.outcome(run).added] == [JPEG]
        assert verify(book).flaws == ()


def _sql(book: Logbook, text: str) -> None:
    with book.writing() as connection:
        connection.exec_driver_sql(text)


def test_a_picture_that_is_replaced_after_the_recipe_was_read_ends_the_run(tmp_path: Path) -> None:
    recipe = load_recipe(write(tmp_path))
    (tmp_path / "tp3.png").write_bytes(png(9))
    outcome = ww.run(recipe, bench=BENCH, out=tmp_path / "out")
    assert outcome.verdict == "error"
    assert "is no longer what it was when the recipe was read" in outcome.error


def test_what_cannot_be_attached_is_refused_before_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recipe, out = write(tmp_path), tmp_path / "out"
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "large").write_bytes(b"12345")
    for given, said in (
        ({"attach": [tmp_path / "missing"]}, "cannot be attached"),
        ({"attach": [tmp_path / "empty"]}, "is empty"),
        ({"note": "a\x1b[2J"}, "cannot be shown"),
    ):
        with pytest.raises(Misuse, match=said):
            ww.run(recipe, bench=BENCH, out=out, **given)
    monkeypatch.setattr(attachment, "LARGEST_FILE", 4)
    with pytest.raises(Misuse, match="is too large"):
        ww.run(recipe, bench=BENCH, out=out, attach=[tmp_path / "large"])
    assert not out.exists()


def test_a_file_that_is_gone_from_the_evidence_is_said_in_the_report(tmp_path: Path) -> None:
    outcome = ww.run(write(tmp_path), bench=BENCH, out=tmp_path / "out", seed=1)
    assert outcome.folder is not None
    (path,) = (outcome.folder / "attached").iterdir()
    path.write_bytes(png(1))
    again = read_outcome(outcome.folder)
    with pytest.raises(StorageFault, match="has changed"):
        again.attachments[0].read()
    assert "not shown: attachment `tp3.png` has changed" in html(again)
    with Logbook(tmp_path / "book.sqlite") as book, pytest.raises(StorageFault, match="has changed"):
        import_outcomes(book, tmp_path / "out")
