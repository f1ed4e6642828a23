"""Telling other systems of outcomes: in order, at least once, and never in the way of the batch."""

from __future__ import annotations

import json
import os
import select
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome as made
from wavewright.errors import Misuse
from wavewright.logbook import told_process
from wavewright.logbook.teller import Teller, ToldFile, receivers, told_lines
from wavewright.logbook.told_outcome import told_line, told_outcome, told_schema
from wavewright.logbook.told_process import ToldProcess
from wavewright.running.declared import Declared

ROOT = Path(__file__).parents[2]
HOSTILE = 'VC204 "7" \'; $(touch told) \u202e é'


def message(number: int) -> dict[str, Any]:
    return told_outcome(replace(made(number), id=f"20260302-0800{number:02}-0000"), station="line_1", batch="lot")


def receiver(folder: Path, program: str) -> ToldProcess:
    """A process that runs a program in Python."""
    path = folder / "receive me.py"
    path.write_text(f"import json, os, subprocess, sys, time\n{program}\n", encoding="utf-8")
    return ToldProcess(f'"{sys.executable}" "{path}"')


def test_a_message_is_one_line_of_ascii_that_its_schema_takes() -> None:
    one = replace(made(1), id="20260302-080000-0000", serial=HOSTILE, declared={"firmware": Declared("1.07")})
    line = told_line(told_outcome(one, station="line_1", batch=""))
    assert line.count(b"\n") == 1
    told = json.loads(line.decode("ascii"))
    # jsonschema 4.26, an implementation of JSON Schema draft 2020-12 that knows nothing of ours
    Draft202012Validator(told_schema()).validate(told)
    assert told["serial"] == HOSTILE
    assert told["declared"]["firmware"]["text"] == "1.07"
    assert (told["readings"][0]["name"], told["readings"][0]["value"]) == ("rail_noise.ripple", 0.024)
    assert "text" not in told["recipe_file"]


def test_outcomes_arrive_in_order_and_each_is_gone_from_the_folder(tmp_path: Path) -> None:
    program = "open(sys.argv[0] + '.heard', 'ab').write(sys.stdin.buffer.read())"
    teller = Teller([receiver(tmp_path, program), ToldFile(tmp_path / "lines.jsonl")], tmp_path / "untold")
    for number in range(4):
        assert teller.put(message(number)) == ""
    told = teller.close(60)
    assert (told.taken, told.faults) == (4, {})
    expected = b"".join(told_line(message(number)) for number in range(4))
    assert (tmp_path / "receive me.py.heard").read_bytes() == expected
    assert (tmp_path / "lines.jsonl").read_bytes() == expected
    assert not list((tmp_path / "untold").iterdir())


class Scripted:
    """A receiver that answers as it is told to."""

    def __init__(self, answer: Callable[[dict[str, Any]], str]) -> None:
        self.heard: list[str] = []
        self._answer = answer

    def tell(self, message: bytes, *, patience: float) -> str:
        told = json.loads(message)
        self.heard.append(told["id"][-7:-5])
        return self._answer(told)

    def end(self) -> None:
        """Nothing."""


def test_one_that_is_not_taken_is_tried_three_times_and_kept_for_later(tmp_path: Path) -> None:
    sick = Scripted(lambda told: "no" if told["id"] == message(1)["id"] else "")
    teller = Teller([sick], tmp_path / "untold")
    for number in range(3):
        teller.put(message(number))
    told = teller.close(60)
    assert sick.heard == ["00", "01", "01", "01", "02"]
    assert told.faults == {message(1)["id"]: "no"}
    assert "1 outcomes were not told (1: no)" in told_lines(told, tmp_path)[0]
    # and the next session tells it before its own
    well = Scripted(lambda told: "")
    teller = Teller([well], tmp_path / "untold")
    teller.put(message(3))
    assert teller.close(60).faults == {}
    assert well.heard == ["01", "03"]


def test_a_batch_is_not_held_up_and_the_end_waits_a_bounded_time(tmp_path: Path) -> None:
    # given a receiver that takes nothing until it is ended
    ended = threading.Event()

    class Stuck(Scripted):
        def end(self) -> None:
            ended.set()

    stuck = Stuck(lambda told: "" if ended.wait(60) and False else "was ended")
    teller = Teller([stuck], tmp_path / "untold")
    for number in range(3):
        teller.put(message(number))  # returns, although nobody has taken the first
    told = teller.close(0.2)
    assert ended.is_set()
    assert stuck.heard == ["00"]
    assert sorted(told.faults) == [message(number)["id"] for number in range(3)]
    assert len(list((tmp_path / "untold").iterdir())) == 3


class UntilBegun:
    """A clock on which time passes only once the receiver is at work, however long its start takes."""

    def __init__(self, begun: Path) -> None:
        self._begun, self._is_asked = begun, False

    def monotonic(self) -> float:
        is_first, self._is_asked = not self._is_asked, True
        return 0.0 if is_first or not self._begun.exists() else 2.0


PROGRAMS = [
    # what a receiver does, and what is said of it
    ("sys.exit(0)", ""),  # never reads
    ("sys.exit('no \\x1b[2J room')", "exit status 1: no  [2J room"),
    ("begun(); time.sleep(600)", "gave no answer within 1 s"),
    ("begun()\nwhile True: sys.stdout.write('x' * 1000000)", "gave no answer within 1 s"),
    (
        "os.write(2, 300 * b'x')\nbegun()\nwhile True: sys.stderr.write('x' * 1000000)",
        "gave no answer within 1 s: " + 300 * "x",
    ),
    ("subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])", ""),  # a child holds the pipe
]


@pytest.mark.parametrize("program, said", PROGRAMS, ids=range(len(PROGRAMS)))
def test_whatever_a_receiver_does_it_is_over_in_time(
    program: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = tmp_path / "begun"
    one = receiver(tmp_path, f"begun = lambda: open({str(begun)!r}, 'w').close()\n{program}")
    patience = 1 if said.startswith("gave") else 60
    if patience == 1:
        monkeypatch.setattr(told_process, "time", UntilBegun(begun))
    assert one.tell(told_line(message(1)) * 3000, patience=patience) == said  # more than any pipe holds


@pytest.mark.posix
def test_nothing_that_a_receiver_started_is_left(tmp_path: Path) -> None:
    program = (
        "print(subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)']).pid, file=open('pid', 'w'))"
    )
    assert receiver(tmp_path, f"os.chdir({str(tmp_path)!r})\n{program}").tell(b"{}\n", patience=60) == ""
    child = int((tmp_path / "pid").read_text())
    if not hasattr(os, "pidfd_open"):
        pytest.skip("NOT TESTED: this system cannot wait for a process that is not its own child")
    try:
        ended = os.pidfd_open(child)
    except ProcessLookupError:
        return
    assert select.select([ended], [], [], 60)[0]  # readable once it has ended
    os.close(ended)


def test_what_cannot_be_told_anything_is_refused_before_the_run(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match="there is no program `no-such-program`"):
        receivers("no-such-program --now", None)
    with pytest.raises(Misuse, match="is not a file"):
        receivers(None, tmp_path)


def test_a_run_tells_and_the_logbook_tells_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wavewright: Callable[..., Spoken]
) -> None:
    monkeypatch.chdir(tmp_path)
    run = (
        "run",
        ROOT / "recipes/rail_ripple.yaml",
        "--bench",
        ROOT / "sim/bench.yaml",
        "--yes",
        "--serial",
        HOSTILE[:11],
    )
    own = ("--logbook", tmp_path / "book.sqlite")
    # given a receiver that fails, then the verdict is the run's, and the outcome waits
    failing = f'"{sys.executable}" -c "import sys; sys.exit(7)"'
    told = wavewright(*run, *own, "--station", "line_1", "--tell", failing, "--tell-file", "lines.jsonl")
    assert told.status == 0
    assert "1 outcomes were not told (1: exit status 7)" in told.stderr
    # when it is told to a file, then it is the outcome, and nothing waits any more
    assert wavewright("logbook", "tell", "--tell-file", "lines.jsonl").stdout == "1 outcomes told\n"
    assert wavewright("logbook", "tell", "last", "--tell-file", "lines.jsonl", *own).stdout == "1 outcomes told\n"
    waiting, again = (json.loads(line) for line in (tmp_path / "lines.jsonl").read_text().splitlines())
    assert waiting["id"] == again["id"]
    assert (again["station"], again["verdict"], again["serial"]) == ("line_1", "pass", HOSTILE[:11])
    assert wavewright("logbook", "tell").status == 64
    assert wavewright("logbook", "tell", "--schema").json["title"] == "ToldOutcome"
