"""What a run leaves that is killed among its shots: everything but the shot in the air, in a form that import reads."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.ending import AT_ONCE, STATUS
from wavewright.instruments.wire_log import read_wire_log
from wavewright.logbook import captures
from wavewright.logbook.book import Logbook
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.journal import read_journal
from wavewright.logbook.kept_run import run
from wavewright.logbook.maintenance import prune
from wavewright.logbook.outcome_files import read_outcome
from wavewright.logbook.recompute import recompute
from wavewright.logbook.unfinished import CUT_OFF, clear, recover, unfinished

ROOT = Path(__file__).parents[2]
RECIPE = """\
wavewright: 1
title: Rail under two loads
part: VC-204
parameters:
  volts: {default: 24 V}
measurements:
  rail:
    channels: {rail: {input: 1, coupling: ac, range: 200 mV}}
    timebase: {span: 200 us, rate: 5 MHz}
    shots: 4
    for_each: {volts: [20 V, 24 V]}
    stimulus: [{supply: {voltage: $volts, current_limit: 1 A, output: on}, then_wait: 1 ms}]
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV}
      mean: {of: rail}
"""
# Kills itself at the n-th call of a function of the evidence, before or after its work.
KILLED = """
import os, sys
from pathlib import Path
import wavewright as ww
from wavewright.logbook.evidence import Evidence

name, call, when, AT_ONCE = sys.argv[1], int(sys.argv[2]), sys.argv[3], int(sys.argv[5])
plain, count = getattr(Evidence, name), 0

def deadly(self, *given, **named):
    global count
    count += 1
    if count == call and when == "before":
        os.kill(os.getpid(), AT_ONCE)
    result = plain(self, *given, **named)
    if count == call:
        os.kill(os.getpid(), AT_ONCE)
    return result

setattr(Evidence, name, deadly)
ww.run("recipe.yaml", bench=sys.argv[4], serial="VC204-0017", out="outcomes", logbook="book.sqlite")
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    return tmp_path


def kill(folder: Path, name: str, call: int, when: str) -> None:
    command = [sys.executable, "-c", KILLED, name, str(call), when, str(ROOT / "sim/bench.yaml"), str(int(AT_ONCE))]
    done = subprocess.run(command, check=False, cwd=folder)
    assert done.returncode == STATUS


def test_every_shot_before_the_one_in_the_air_is_entered_and_can_be_recomputed(folder: Path) -> None:
    # given a run that is killed when the third shot of its second condition has come and is not yet kept
    kill(folder, "keep", 7, "before")
    (left,) = unfinished(folder / "outcomes")
    assert (left.serial, left.recipe, left.shots, left.is_alive) == ("VC204-0017", "recipe", 6, False)
    # when it is imported
    with Logbook(folder / "book.sqlite") as book:
        found = import_outcomes(book, folder / "outcomes")
        assert (found.new, found.known, found.cut_off) == (1, 0, 1)
        outcome = book.outcome("last")
        # then the verdict is error, the first condition is whole, and of the second there is what was measured
        assert (outcome.verdict, outcome.error) == ("error", CUT_OFF)
        first, second = outcome.measurements
        assert (first.shots, first.error) == (4, "")
        assert (second.shots, second.error) == (2, "the run was cut off; 2 of 4 shots were taken")
        assert [len(shots) for shots in outcome.captures.values()] == [4, 2]
        ripple = second.results[0]
        assert ripple.reading.value is not None
        assert ripple.verdict != "pass"
        # and it comes out the same again, from the logbook and from the folder
        assert recompute(outcome).is_same
        (evidence,) = (folder / "outcomes").glob("[!.]*")
        assert recompute(read_outcome(evidence)).is_same
        assert import_outcomes(book, folder / "outcomes").known == 1
        # what the run had on its way into the logbook goes with the next prune, and nothing else does
        assert prune(book, None).files == 1
        assert recompute(book.outcome("last")).is_same
    assert not [path for path in (folder / "outcomes").iterdir() if path.name.startswith(".")]


def test_the_dialogue_is_there_up_to_the_last_message(folder: Path) -> None:
    kill(folder, "keep", 2, "after")
    (path,) = (folder / "outcomes").glob(".*/wire.log")
    with path.open() as file:
        sent = [record.data for record in read_wire_log(file) if record.sign == ">" and record.data]
    assert b"OUTPut:STATe 1\n" in sent
    assert sent.count(b"INITiate\n") == 3  # one to find the trigger level, two shots


@pytest.mark.parametrize(
    "name, call, when, shots",
    [
        ("identified", 1, "after", 0),
        ("keep", 1, "after", 1),
        ("read", 3, "before", 3),
        ("measured", 1, "before", 4),
        ("finish", 1, "before", 8),
    ],
)
def test_killed_anywhere_it_is_one_run_of_so_many_shots(
    name: str, call: int, when: str, shots: int, folder: Path
) -> None:
    kill(folder, name, call, when)
    assert sum(one.shots for one in unfinished(folder / "outcomes")) == shots
    with Logbook(folder / "book.sqlite") as book:
        import_outcomes(book, folder / "outcomes")
        outcome = book.outcome("last")
        assert sum(one.shots for one in outcome.measurements) == shots
        assert sum(len(kept) for kept in outcome.captures.values()) == shots
        assert recompute(outcome).is_same


def test_captures_that_the_power_failure_left_damaged_are_read_by_their_places(folder: Path) -> None:
    kill(folder, "keep", 7, "before")
    (path,) = (folder / "outcomes").glob(".*/captures.h5")
    with path.open("rb+") as file:
        file.write(b"\0" * 512)  # the head of the file: no HDF5 any more
    (evidence,) = recover(folder / "outcomes")
    outcome = read_outcome(evidence)
    assert [len(shots) for shots in outcome.captures.values()] == [4, 2]
    assert recompute(outcome).is_same


def test_a_shot_whose_codes_did_not_reach_the_disk_and_a_torn_line_do_not_count(folder: Path) -> None:
    kill(folder, "keep", 7, "before")
    (left,) = (folder / "outcomes").glob(".*.????????")
    journal, wire = left / "journal", left / "wire.log"
    *_, last = (line.content["codes"]["rail"] for line in read_journal(journal) if line.kind == "shot")
    journal.write_bytes(journal.read_bytes()[:-20])  # the readings of the last shot
    wire.write_bytes(wire.read_bytes()[:-3])
    with (left / "captures.h5").open("rb+") as file:
        file.truncate(last["at"] + last["count"] - 1)
    (evidence,) = recover(left)
    assert sum(one.shots for one in read_outcome(evidence).measurements) == 5
    with (evidence / "wire.log").open() as lines:
        assert list(read_wire_log(lines))


def test_clearing_spares_shots_unless_it_is_told_otherwise(folder: Path) -> None:
    kill(folder, "begin", 1, "after")
    kill(folder, "keep", 2, "before")
    outcomes = folder / "outcomes"
    assert (clear(outcomes, dry=True).folders, clear(outcomes).folders, clear(outcomes).kept) == (1, 1, 1)
    assert clear(outcomes, with_shots=True).folders == 1
    assert list(outcomes.iterdir()) == []


def test_a_run_that_had_not_sent_a_message_is_no_run(folder: Path) -> None:
    kill(folder, "begin", 1, "after")
    assert len(unfinished(folder / "outcomes")) == 1
    with Logbook(folder / "book.sqlite") as book:
        assert import_outcomes(book, folder / "outcomes").new == 0


def test_nothing_is_read_again_to_enter_a_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*given: object) -> None:
        raise AssertionError("a shot was read again")

    with monkeypatch.context() as patched:
        patched.setattr(captures, "read_capture", never)
        places = {"out": folder / "outcomes", "logbook": folder / "b.sqlite"}
        outcome = run(folder / "recipe.yaml", bench=ROOT / "sim/bench.yaml", **places)
    with Logbook(folder / "b.sqlite") as book:
        assert recompute(book.outcome(outcome.id)).is_same
