"""Captures in a folder or an object store that stations and offices share: brought there once, read from anywhere."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from tests.cli.conftest import Spoken
from tests.logbook.object_server import ObjectServer
from tests.reporting.reported import reported
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.maintenance import prune
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.recompute import recompute
from wavewright.logbook.shared_store import SharedStore
from wavewright.logbook.tables import stores
from wavewright.logbook.verification import verify
from wavewright.running.outcome import Outcome

ROOT = Path(__file__).parents[2]
RECIPE, BENCH = ROOT / "recipes" / "rail_ripple.yaml", ROOT / "sim" / "bench.yaml"
Command = Callable[..., Spoken]


@pytest.fixture(scope="module")
def objects() -> Iterator[ObjectServer]:
    if importlib.util.find_spec("moto") is None or importlib.util.find_spec("s3fs") is None:
        pytest.skip("NOT TESTED with an S3 server: moto and s3fs are not installed")
    made = ObjectServer()
    yield made
    made.stop()


@pytest.fixture(params=["folder", "s3"])
def store(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The URL of an empty store."""
    if request.param == "folder":
        return str(tmp_path / "shared")
    objects: ObjectServer = request.getfixturevalue("objects")
    for name, value in objects.environment.items():
        monkeypatch.setenv(name, value)
    return f"{objects.url}/{tmp_path.name}"


def made(number: int = 0) -> Outcome:
    plain = reported()
    return replace(plain, serial=f"VC204-{number:04}", started=plain.started + timedelta(seconds=number))


def station(tmp_path: Path, store: str) -> Logbook:
    return Logbook(tmp_path / "line.sqlite", captures=store, codes=tmp_path / "codes of the station")


def content_of(book: Logbook, run: str) -> str:
    shots: Any = book.outcome(run).captures["rail_noise"]
    return str(shots.content)


def office(tmp_path: Path, store: str | None = None) -> Logbook:
    return (
        Logbook.existing(tmp_path / "line.sqlite")
        if store is None
        else Logbook(tmp_path / "line.sqlite", captures=store, codes=tmp_path / "codes of the office")
    )


def test_who_has_the_two_addresses_has_everything(store: str, tmp_path: Path) -> None:
    with station(tmp_path, store) as book:
        first = book.enter(made())
        assert book.codes.waiting() == sorted(book.codes.contents())
        assert book.codes.send_waiting() == 1
        assert book.codes.waiting() == []
    with office(tmp_path, store) as book:
        assert list(book.codes.contents()) == []
        outcome = book.outcome(first)
        assert (outcome.captures["rail_noise"][0]["rail"].codes == made().captures["rail_noise"][0]["rail"].codes).all()
        assert recompute(outcome).is_same
        assert len(list(book.codes.contents())) == 1  # a copy is here now
        assert verify(book).flaws == ()


def test_the_logbook_remembers_where_captures_are(store: str, tmp_path: Path) -> None:
    with station(tmp_path, store) as book:
        first = book.enter(made())
        book.codes.send_waiting()
        with book.reading() as connection:
            assert list(connection.execute(select(stores.c.url)).scalars()) == [SharedStore(store).where]
    shutil.rmtree(tmp_path / "codes of the station")
    with Logbook(tmp_path / "line.sqlite", codes=tmp_path / "elsewhere") as book:
        assert recompute(book.outcome(first)).is_same


def test_what_is_there_is_never_written_again(store: str, tmp_path: Path) -> None:
    shared = SharedStore(store)
    for number, text in enumerate(("first", "second")):
        file = tmp_path / str(number)
        file.write_text(text)
        shared.put("a" * 64, file)
    assert shared.get("a" * 64, tmp_path / "back")
    assert (tmp_path / "back").read_text() == "first"
    assert not shared.get("b" * 64, tmp_path / "none")
    assert list(shared.contents()) == ["a" * 64]
    shared.remove("a" * 64)
    assert list(shared.contents()) == []


def test_captures_that_were_changed_in_the_store_are_refused_and_named(store: str, tmp_path: Path) -> None:
    with station(tmp_path, store) as book:
        first = book.enter(made())
        book.codes.send_waiting()
        other = book.enter(replace(made(1), captures={"rail_noise": made().captures["rail_noise"][:1]}))
        book.codes.send_waiting()
        content, replaced = (content_of(book, run) for run in (other, first))
        # the file of other codes under this name: whole, and still not what was measured
        shared = SharedStore(store)
        shared.remove(replaced)
        shared.put(replaced, book.codes.path(content))
    with office(tmp_path, store) as book:
        with pytest.raises(StorageFault, match="have changed since they were kept"):
            book.outcome(first).captures["rail_noise"][0]
        assert replaced not in book.codes.contents()
        assert [flaw.what for flaw in verify(book).flaws] == [f"the captures {shared.path(replaced)} have changed"]
        shared.remove(replaced)
        assert [flaw.what for flaw in verify(book).flaws] == [f"the captures {shared.path(replaced)} are missing"]
        with pytest.raises(StorageFault, match=r"the captures are missing(.|\n)*--captures"):
            book.outcome(first).captures["rail_noise"][0]


def test_a_sample_that_was_changed_on_the_disk_is_refused_when_it_is_read(tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        one, two = (
            book.enter(made()),
            book.enter(replace(made(1), captures={"rail_noise": made().captures["rail_noise"][:1]})),
        )
        there, other = (book.codes.path(content_of(book, run)) for run in (one, two))
        shutil.copy(other, there)
        with pytest.raises(StorageFault, match=r"have changed|cannot be read"):
            list(book.outcome(one).captures["rail_noise"])


def test_a_store_that_is_away_costs_nothing_and_gets_its_captures_later(tmp_path: Path) -> None:
    blocked = tmp_path / "shared"
    blocked.write_text("a file where the folder should be")
    with station(tmp_path, str(blocked)) as book:
        runs = [book.enter(made())]
        with pytest.raises(StorageFault, match="the store of captures cannot be used"):
            book.codes.send_waiting()
        assert len(book.codes.waiting()) == 1
        assert recompute(book.outcome(runs[0])).is_same  # here they are
    blocked.unlink()
    with station(tmp_path, str(blocked)) as book:  # another process, later
        assert book.codes.send_waiting() == 1
        assert book.codes.waiting() == []
    with office(tmp_path, str(blocked)) as book:
        assert recompute(book.outcome(runs[0])).is_same


def test_codes_that_another_process_is_about_to_keep_stay_noted(tmp_path: Path) -> None:
    # given the note of a process that has not yet given its file its name
    with station(tmp_path, str(tmp_path / "shared")) as book:
        book.codes.mark_outgoing("a" * 64)
        assert book.codes.send_waiting() == 0
        assert book.codes.waiting() == ["a" * 64]
        book.enter(made())
        assert book.codes.send_waiting() == 1
        # a note of a file that is gone does not stay for ever
        os.utime(book.codes.folder / "outgoing" / ("a" * 64), (0, 0))
        assert book.codes.send_waiting() == 0
        assert book.codes.waiting() == []


def test_prune_takes_from_a_shared_store_only_where_it_is_told_to(store: str, tmp_path: Path) -> None:
    with station(tmp_path, store) as book:
        book.enter(made())
        book.codes.send_waiting()
        [content] = book.codes.contents()
        assert book.codes.drop_copies()[0] == 1
        assert list(book.codes.contents()) == []
        assert recompute(book.outcome("last")).is_same
        prune(book, Filter(serial="VC204-0000"))
        assert entries(book) == []
        assert SharedStore(store).has(content)
        found = prune(book, None, shared=True)
        assert (found.files, found.size > 0) == (1, True)
        assert not SharedStore(store).has(content)


@pytest.mark.parametrize(
    "where, what",
    [
        ("s3://user:S3cret@bucket/x", "would be kept in the logbook"),
        ("nonsense://bucket/x", "expected: a folder, `file:///folder`"),
    ],
)
def test_an_address_that_is_none_is_refused(where: str, what: str, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=what) as caught:
        Logbook(tmp_path / "line.sqlite", captures=where)
    assert "S3cret" not in str(caught.value)


def test_a_run_and_a_report_from_another_folder_by_the_command(
    wavewright: Command, objects: ObjectServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in objects.environment.items():
        monkeypatch.setenv(name, value)
    url, book = f"{objects.url}/by-command", tmp_path / "line.sqlite"
    run = ("run", RECIPE, "--bench", BENCH, "--yes", "--seed", "1", "--draw", "1", "--logbook", book, "--captures", url)
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")  # nobody is there
    told = wavewright(*run, "--out", tmp_path / "out", "--serial", "VC204-0001")
    assert told.status == 0
    assert "1 files of captures wait in" in told.stderr
    assert "S3cret" not in told.stdout + told.stderr
    monkeypatch.setenv("AWS_ENDPOINT_URL", objects.address)
    told = wavewright("logbook", "forward", "--logbook", book, "--captures", url, "--out", tmp_path / "out")
    assert f"1 files of captures brought to {url}" in told.stdout
    shutil.rmtree(f"{book}.captures")
    assert wavewright("recompute", "last", "--logbook", book).status == 0
    shutil.rmtree(f"{book}.captures")
    told = wavewright("logbook", "verify", "--logbook", book, "--captures", url)
    assert (told.status, "all intact" in told.stdout) == (0, True)
    assert wavewright("report", "last", "--logbook", book, "--out", tmp_path / "report.html").status == 0
    shutil.rmtree(f"{book}.captures")
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    told = wavewright("recompute", "last", "--logbook", book)
    assert (told.status, "the store of captures cannot be used" in told.stdout + told.stderr) == (3, True)
    told = wavewright("report", "last", "--logbook", book, "--out", tmp_path / "without.html")
    assert told.status == 0, told
    page = (tmp_path / "without.html").read_text()
    assert "No pictures: s3://captures/line/by-command: the store of captures cannot be used" in page
    assert "rail_noise" in page
