"""Whole runs on strangers, each with one kind of fault: the right outcome, within the stated times, with outputs off.

Outputs are off as the strangers themselves record it, and where one cannot be reached a person is told to look. Each
fault strikes while the supply is on, unless the row says otherwise.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from tests.instruments.strangers import faults as kinds
from tests.instruments.strangers.faults import Fault
from tests.instruments.strangers.hislip import HislipStranger
from tests.instruments.strangers.sockets import PATIENCE, Stranger, Strangers, strangers
from tests.instruments.strangers.watching import ROOM, watched

Command = Callable[..., Spoken]
STATUS = {0: "pass", 1: "fail", 2: "inconclusive", 3: "error"}
# s, of this bench's profiles and recipe: an answer, recovery, a record, the trigger, the connection
STATED = {"answer": PATIENCE, "recovery": 0.5, "record": 0.5, "trigger": 0.5}


@dataclass(frozen=True)
class Case:
    """A fault of one instrument, and the right outcome.

    Parameters
    ----------
    right : verdicts that are right, as exit statuses tell them.
    by_hand : the output of this instrument cannot be known to be off, so a person must be told.
    told : what the message must contain, beside the instrument's name.
    before_on : it strikes before the supply is switched on.
    """

    who: str
    effect: kinds.Effect
    at: str = "any"
    nth: int = 1
    times: int = 1 << 30
    after: str = ""
    right: str = "error"
    by_hand: bool = False
    told: str = ""
    before_on: bool = False

    def fault(self) -> Fault:
        return Fault(self.effect, self.at, self.nth, self.times, self.after)


CASES = {
    # silence and slowness
    "the digitizer is silent from the first message": Case("digitizer", kinds.silent, before_on=True, told="within"),
    "the digitizer is dead once it is armed": Case("digitizer", kinds.dead, "finished", told="does not recover"),
    "the digitizer is dead at the record": Case("digitizer", kinds.dead, "record", told="does not recover"),
    "the digitizer is silent at the record only": Case("digitizer", kinds.silent, "record", told="0.5 s"),
    "the digitizer never ends its acquisition": Case("digitizer", kinds.never_finished, "finished"),
    "the digitizer is silent for one query": Case(
        "digitizer", kinds.silent, "points", times=1, right="pass", before_on=True
    ),
    "the digitizer never answers one query": Case(
        "digitizer", kinds.silent, "points", told="POINts|count", before_on=True
    ),
    "the digitizer answers late from the shot on": Case("digitizer", kinds.late, "query", after="arm"),
    "the digitizer answers slowly": Case("digitizer", kinds.slow, "record", right="pass"),
    "the digitizer drips its record": Case("digitizer", kinds.dripping, "record"),
    "the supply is silent from the first message": Case("supply", kinds.silent, before_on=True),
    "the supply is silent once it is on": Case("supply", kinds.silent, after="on", by_hand=True, told="by hand"),
    "the supply is dead once it is on": Case("supply", kinds.dead, "is on", after="on", by_hand=True, told="by hand"),
    "the supply is deaf once it is on": Case("supply", kinds.deaf, "is on", after="on", by_hand=True, told="by hand"),
    "the supply is late once it is on": Case("supply", kinds.late, "query", after="on", by_hand=True, told="by hand"),
    "the source is dead once it is on": Case("source", kinds.dead, "is on", after="on", by_hand=True, told="by hand"),
    "the source is silent from the first message": Case("source", kinds.silent, before_on=True),
    # the connection
    "the digitizer hangs up at the record": Case("digitizer", kinds.hangs_up, "record", times=1),
    "the digitizer hangs up in the record": Case("digitizer", kinds.half_then_hangs_up, "record", times=1),
    "the digitizer hangs up and is gone": Case("digitizer", kinds.gone, "record"),
    "the supply hangs up at its switch, once": Case("supply", kinds.hangs_up, "on", times=1, before_on=True),
    "the supply is gone once it is on": Case("supply", kinds.gone, "is on", after="on", by_hand=True, told="by hand"),
    "the supply hangs up at its reading": Case("supply", kinds.hangs_up, "measured", times=1, after="on"),
    # answers without an end, without a beginning, out of step
    "the digitizer answers without an end": Case("digitizer", kinds.endless, "points", before_on=True),
    "the digitizer sends lines without an end": Case(
        "digitizer", kinds.endless_lines, "points", right="pass error", before_on=True
    ),
    "the record has no end": Case("digitizer", kinds.endless, "record"),
    "the error queue of the digitizer never empties": Case(
        "digitizer", kinds.complaining, "errors", told="too much|out of range", before_on=True
    ),
    "the error queue of the supply never empties": Case(
        "supply", kinds.complaining, "errors", told="too much|out of range", before_on=True
    ),
    "the digitizer answers twice, once": Case(
        "digitizer", kinds.twice, "points", times=1, right="pass", before_on=True
    ),
    "the digitizer is one answer behind": Case("digitizer", kinds.one_behind, "query", after="arm"),
    "the digitizer speaks unasked": Case("digitizer", kinds.shouting, "points", times=1, right="pass", before_on=True),
    "half an answer, once": Case("digitizer", kinds.half, "points", times=1, right="pass", before_on=True),
    "an answer without its end": Case("digitizer", kinds.without_end, "points", before_on=True),
    "garbage in place of an answer": Case("digitizer", kinds.garbage, "points", told="text|ascii", before_on=True),
    "an empty answer": Case("digitizer", kinds.empty, "points", told="empty", before_on=True),
    "garbage at the supply's switch": Case("supply", kinds.garbage, "is on", after="on", by_hand=True, told="by hand"),
    # words and numbers
    "a word that is none": Case("digitizer", kinds.a_word, "slope", right="error inconclusive", before_on=True),
    "no number": Case("digitizer", kinds.no_value, "points", told="number", before_on=True),
    "a number implausible": Case("digitizer", kinds.out_of_all_sense, "points", right="error", before_on=True),
    "a reading that is none": Case(
        "supply", kinds.no_value, "measured", times=2, after="on", right="inconclusive", told="no value of its voltage"
    ),
    "another instrument": Case("digitizer", kinds.another, "identity", told="Somebody,Else", before_on=True),
    # blocks
    "a record cut short": Case("digitizer", kinds.block_cut, "record", told="cut|breaks off"),
    "a record that lacks samples": Case("digitizer", kinds.block_short, "record"),
    "a record longer than it says": Case("digitizer", kinds.block_long, "record"),
    "a record without a header": Case("digitizer", kinds.block_bare, "record"),
    "a record that promises 10 GB": Case("digitizer", kinds.block_huge, "record"),
    "a record of fewer samples than were set": Case("digitizer", kinds.block_of_fewer, "record", told="samples"),
    # outputs, settings, restarts
    "the supply stays on and says so": Case("supply", kinds.stuck_on, "off", after="on", by_hand=True, told="by hand"),
    "the supply does not go on": Case("supply", kinds.never_on, "on", told="off", before_on=True),
    "the supply says on when it is off": Case(
        "supply", kinds.says_on, "is on", nth=2, after="on", by_hand=True, told="by hand"
    ),
    "the digitizer restarts at the shot": Case(
        "digitizer", kinds.restarting, "finished", times=1, told="switched off and on"
    ),
}


def run_on(bench: Strangers, recipe: Path, command: Command) -> Spoken:
    """The command itself, under the watchdog."""
    arguments = ("--bench", bench.file, "--yes", "--json", "--no-logbook", "--out", recipe.parent / "outcomes")
    with watched():
        return command("run", recipe, *arguments)


def all_that_was_told(said: Spoken) -> str:
    """Both streams, and the errors within the outcome."""
    return f"{said.stdout}\n{said.stderr}"


def longest() -> float:
    """What the stated time-outs allow: an exchange that fails, the outputs off, and 2 s; with room for the machine."""
    exchange = sum(STATED.values())
    return 2 * exchange + 2.0 + ROOM


@pytest.mark.parametrize("language", ["scpi", "tarn"])
def test_without_a_fault_the_run_passes(tmp_path: Path, recipe: Path, wavewright: Command, language: str) -> None:
    with strangers(tmp_path, language) as bench:
        said = run_on(bench, recipe, wavewright)
        assert (said.status, bench.outputs_on) == (0, []), all_that_was_told(said)
        assert bench.by_name["supply"].device.was_on
        assert bench.by_name["source"].device.was_on
        assert all(not one.device.errors for one in bench.by_name.values())


WAYS = {"scpi": ("scpi", Stranger), "tarn": ("tarn", Stranger), "scpi over HiSLIP": ("scpi", HislipStranger)}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", CASES)
def test_the_outcome_is_right_and_the_outputs_are_off(
    tmp_path: Path,
    recipe: Path,
    wavewright: Command,
    way: str,
    name: str,
) -> None:
    case, (language, wire) = CASES[name], WAYS[way]
    for attempt in range(3):  # on a loaded machine something else may come too late before the fault strikes
        fault = case.fault()
        (tmp_path / f"{attempt}").mkdir()
        with strangers(tmp_path / f"{attempt}", language, faults={case.who: fault}, wire=wire) as bench:
            begin = time.monotonic()
            said = run_on(bench, recipe, wavewright)
            lasted = time.monotonic() - begin
            if not fault.struck:
                continue
            told, supply = all_that_was_told(said), bench.by_name["supply"].device
            assert supply.was_on or case.before_on
            assert STATUS[said.status] in case.right.split(), told
            if said.status == 3:
                assert f"({case.who})" in told
            if case.told:
                assert any(words in told for words in case.told.split("|")), told
            on = set(bench.outputs_on) - ({case.who} if case.by_hand else set())
            assert on == set(), told
            assert not case.by_hand or "by hand" in told
            assert lasted < longest(), f"{lasted:.1f} s"
            return
    pytest.fail("the fault never struck: this proves nothing")
