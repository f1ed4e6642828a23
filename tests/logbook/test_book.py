"""The logbook: whole or absent, one text once, one record of codes once."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import capture, outcome
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.default_location import usual_logbook
from wavewright.logbook.migrations import STEPS, bring_up_to_date
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import entries
from wavewright.logbook.verification import verify

ROOT = Path(__file__).parents[2]


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "logbook.sqlite")


def files(book: Logbook) -> list[Path]:
    return sorted(book.codes.folder.rglob("*.h5"))


def test_what_was_entered_comes_back_to_the_last_digit(book: Logbook) -> None:
    there = outcome(seed=5)
    back = book.outcome(book.enter(there, station="line 2"))
    assert outcome_as_json(back) == outcome_as_json(there)


def test_captures_come_back_code_by_code(book: Logbook) -> None:
    there = outcome(seed=5)
    back = book.outcome(book.enter(there))
    assert list(back.captures) == ["rail_noise"]
    for ours, theirs in zip(there.captures["rail_noise"], back.captures["rail_noise"], strict=True):
        assert dict(ours.settings) == dict(theirs.settings)
        assert (ours.identity, ours.taken, ours.trigger_time) == (theirs.identity, theirs.taken, theirs.trigger_time)
        for name, wave in ours.waveforms.items():
            again = theirs[name]
            assert again.codes.dtype == wave.codes.dtype
            assert np.array_equal(again.codes, wave.codes)
            for key in ("gain", "offset", "interval", "start", "unit", "name", "code_range"):
                assert getattr(again, key) == getattr(wave, key)


def test_the_same_codes_are_kept_once(book: Logbook) -> None:
    book.enter_all([outcome(0, seed=5), outcome(1, seed=5), outcome(2, seed=9)])
    assert len(files(book)) == 2


def test_codes_that_differ_in_type_only_are_two_records(book: Logbook) -> None:
    plain = capture(1)
    wide = replace(plain, waveforms={n: replace(w, codes=w.codes.astype(np.int16)) for n, w in plain.waveforms.items()})
    book.enter(replace(outcome(0), captures={"a": [plain], "b": [wide]}))
    assert len(files(book)) == 2


def test_one_recipe_is_kept_once(book: Logbook) -> None:
    book.enter_all(outcome(number) for number in range(20))
    with sqlite3.connect(book.where) as plain:
        assert plain.execute("select count(*) from texts").fetchone() == (3,)


def test_ids_begin_with_the_time_and_can_be_shortened(book: Logbook) -> None:
    first, second = book.enter_all([outcome(0), outcome(1)])
    assert first.startswith("20260302-080000-")
    assert book.outcome(first[:-2]).serial == "VC204-0000"
    assert book.outcome("last").serial == "VC204-0001"
    assert second != first


def test_an_unknown_run_is_said(book: Logbook) -> None:
    with pytest.raises(
        Misuse, match=r"no run `2031` in the logbook\n  expected: the id of a run.*\n  do: `wavewright logbook"
    ):
        book.outcome("2031")


def test_a_short_name_of_several_runs_names_them(book: Logbook) -> None:
    ids = book.enter_all([outcome(0), outcome(1)])
    with pytest.raises(Misuse, match=f"the beginning of several runs\n  expected: {ids[0]}, {ids[1]}"):
        book.outcome("20260302")


def test_an_outcome_that_cannot_be_written_leaves_nothing(book: Logbook) -> None:
    twice = outcome(0)
    with pytest.raises(StorageFault, match="UNIQUE constraint failed"):
        book.enter_named([("same", twice, "", ""), ("same", twice, "", "")])
    assert entries(book) == []


def test_an_outcome_whose_text_cannot_be_kept_leaves_nothing_of_those_before_it(book: Logbook) -> None:
    with pytest.raises(ValueError, match="surrogates not allowed"):
        book.enter_all([outcome(0), outcome(1, serial="VC204-\ud800")])
    assert entries(book) == []
    book.enter(outcome(2))
    assert verify(book).flaws == ()


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("rail 24 mV\n" * 100)
    with pytest.raises(StorageFault, match=r"notes\.txt: the logbook cannot be used: file is not a database"):
        Logbook(tmp_path / "notes.txt")


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "other.sqlite") as other:
        other.execute("create table stock (item text)")
    with pytest.raises(StorageFault, match="a database with the tables stock"):
        Logbook(tmp_path / "other.sqlite")


def test_a_logbook_of_a_newer_version_is_refused(book: Logbook) -> None:
    with sqlite3.connect(book.where) as plain:
        plain.execute("update layout_version set version = 99")
    with pytest.raises(StorageFault, match=r"layout 99\n  expected: layout 7 at most"):
        Logbook(book.where)


def test_an_older_logbook_is_brought_up_to_date_with_what_is_in_it(book: Logbook) -> None:
    book.enter(outcome(0))
    steps = (*STEPS, lambda connection: connection.exec_driver_sql("alter table outcomes add column shift text"))
    with book.writing() as connection:
        assert bring_up_to_date(connection, where="here", steps=steps) == len(STEPS)
        assert bring_up_to_date(connection, where="here", steps=steps) == len(steps)
    with sqlite3.connect(book.where) as plain:
        assert plain.execute("select serial, shift from outcomes").fetchall() == [("VC204-0000", None)]


def test_a_logbook_from_before_batches_gets_them(book: Logbook) -> None:
    book.enter(outcome(0))
    with sqlite3.connect(book.where) as plain:
        plain.execute("drop index outcomes_by_batch")
        plain.execute("alter table outcomes drop column batch")
        plain.execute("update layout_version set version = 1")
    with Logbook(book.where) as again:
        again.enter(outcome(1), batch="lot-7")
        assert [entry.batch for entry in entries(again)] == ["lot-7", ""]


def test_a_migration_that_breaks_off_changes_nothing(book: Logbook) -> None:
    def breaks(connection: object) -> None:
        connection.exec_driver_sql("alter table outcomes add column shift text")  # type: ignore[attr-defined]
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError), book.writing() as connection:
        bring_up_to_date(connection, where="here", steps=(*STEPS, breaks))
    with sqlite3.connect(book.where) as plain:
        assert "shift" not in {row[1] for row in plain.execute("pragma table_info(outcomes)")}


def test_a_wrong_url_is_misuse() -> None:
    with pytest.raises(Misuse, match="expected: a path, or a URL"):
        Logbook("sqlite://not a url://")


def test_the_usual_logbook_lies_in_the_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("WIN_PD_OVERRIDE_LOCAL_APPDATA", str(tmp_path))  # the same for platformdirs on Windows
    assert usual_logbook() == tmp_path / "wavewright" / "logbook.sqlite"


WRITE = """
import sys
from pathlib import Path
from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook
name, count = sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
with Logbook(sys.argv[1]) as book:
    for number in range(count):
        book.enter(outcome(number, serial=f"{name}-{number}", seed=1000 * int(name) + number))
        print(number, flush=True)
"""


def writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITE, str(path), name, str(count)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def test_two_processes_write_at_once_without_loss(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite"
    both = [writer(path, name, 40) for name in ("1", "2")]
    assert [process.wait() for process in both] == [0, 0]
    with Logbook(path) as book:
        assert sorted(entry.serial for entry in entries(book)) == sorted(f"{n}-{k}" for n in "12" for k in range(40))


KILLED = """
import os, signal, sys, time
import numpy as np
from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook

def write(path, number):
    with Logbook(path) as book:
        book.enter(outcome(number, seed=number))

path = sys.argv[1]
costs = []
for number in range(3):  # imports done, then what a whole write costs
    before = time.process_time()
    write(path + ".rehearsal", number)
    costs.append(time.process_time() - before)
for number, share in enumerate(np.random.default_rng(11).uniform(0, 1.25, 200)):
    child = os.fork()
    if not child:
        # processor time, so that a busy machine does not move the moment; nothing handles the signal: it ends the
        # process at whatever instruction it is, as SIGKILL does
        signal.setitimer(signal.ITIMER_PROF, max(1e-6, share * min(costs)))
        write(path, number)
        os._exit(0)
    status = os.waitpid(child, 0)[1]
    print(int(os.WIFSIGNALED(status)), flush=True)
"""


@pytest.mark.slow
@pytest.mark.posix("forks the writer that it kills")
def test_a_run_is_whole_or_absent_wherever_the_writer_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite"
    command = [sys.executable, "-c", KILLED, str(path)]
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    killed = done.stdout.split().count("1")
    with Logbook(path) as book:
        found = entries(book)
        for entry in found:
            whole = book.outcome(entry.id)
            assert len(whole.results) == 1
            assert [len(shots) for shots in whole.captures.values()] == [2]
            number = int(entry.serial.split("-")[1])
            assert np.array_equal(whole.captures["rail_noise"][1]["rail"].codes, capture(number + 1)["rail"].codes)
        assert verify(book).flaws == ()
    assert killed > 50  # else it would prove nothing
    assert 200 - killed <= len(found) < 200


def test_a_logbook_in_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageFault, match="the folder of the logbook cannot be made"):
        Logbook(tmp_path / "file" / "logbook.sqlite")


def test_documents_hold_no_texts(book: Logbook) -> None:
    identifier = book.enter(outcome(0))
    with sqlite3.connect(book.where) as plain:
        (document,) = plain.execute("select document from outcomes where id = ?", (identifier,)).fetchone()
    assert "text" not in json.loads(document)["recipe"]
