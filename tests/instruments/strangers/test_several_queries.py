"""Instruments that do something else than IEEE 488.2 says with several queries in one message, and settings that change
while shots are taken: the outcome is right, or an error. Each is found by what the instrument itself has recorded.

IEEE 488.2-1992, 7.3 and 8.3 (from memory, not verified): the units of a message are executed in order, and their
answers come in that order as one response message, joined by `;`.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.instruments.strangers import faults as kinds
from tests.instruments.strangers.faults import Fault, Pieces
from tests.instruments.strangers.sockets import Stranger, Strangers, strangers
from tests.instruments.strangers.test_mutated_answers import CHECKS, Mutator
from tests.instruments.strangers.watching import watched
from wavewright.errors import WavewrightError
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.output_switch import volts_if_off
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import load_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run

QUICK = "timeout: 150 ms, recovery_timeout: 2 s, record_timeout: 400 ms, connect_timeout: 2 s"
NEVER_RIGHT = {kinds.refuses_in_its_own_words, kinds.complains_in_several_parts}
ROLES = ("digitizer", "supply", "source", "meter")


def checked(there: Strangers, role: str) -> str:
    """`right`, `wrong`, or the error that names the instrument."""
    with open_bench(load_bench(there.file), [role]) as bench:
        try:
            return CHECKS[role](bench, there, Mutator(random.Random(1)))
        except WavewrightError as fault:
            return str(fault)


@pytest.mark.parametrize("effect", kinds.OF_SEVERAL, ids=lambda effect: effect.__name__)
@pytest.mark.parametrize("role", ROLES)
def test_an_instrument_that_takes_no_several_queries_gives_what_is_right(
    tmp_path: Path, role: str, effect: kinds.Effect
) -> None:
    fault = Fault(effect, at="several")
    with strangers(tmp_path, "scpi", faults={role: fault}, timeouts=QUICK) as there, watched():
        outcome = checked(there, role)
        assert fault.struck
        assert not there.outputs_on
    if effect in NEVER_RIGHT:  # what it says is an error
        assert f"({role})" in outcome
    else:
        assert outcome == "right"


@pytest.mark.parametrize("effect", [*kinds.OF_SEVERAL, kinds.late, kinds.one_behind], ids=lambda one: one.__name__)
def test_a_message_that_is_answered_wrongly_once_changes_no_outcome(tmp_path: Path, effect: kinds.Effect) -> None:
    for role, nth in itertools.product(("digitizer", "supply"), (1, 2, 3)):
        fault, folder = Fault(effect, at="several", nth=nth, times=1), tmp_path / f"{role}{nth}"
        folder.mkdir()
        with strangers(folder, "scpi", faults={role: fault}, timeouts=QUICK) as there, watched():
            outcome = checked(there, role)
            assert fault.struck
            assert not there.outputs_on
        assert outcome != "wrong"
        assert outcome == "right" or effect in (*NEVER_RIGHT, kinds.late, kinds.one_behind), outcome


@pytest.mark.parametrize("volts", [0.0, 0.002, 1.0, 12.0])
def test_no_order_of_the_answers_makes_an_output_that_is_on_one_that_is_off(volts: float) -> None:
    # SCPI-99 volume 1, 7.3: a number that rounds to 0 is off, so a voltage can pass for it
    for first, second, third in itertools.permutations((1.0, volts, 1.0)):
        assert volts_if_off([round(first) != 0, second, round(third) != 0]) is None
    assert volts_if_off([False, volts, False]) == volts


class AtRecord:
    """Does something when the n-th record has been asked for, and is well but for that."""

    def __init__(self, done: dict[int, Callable[[Strangers], None]]) -> None:
        self.done, self.count, self.there = done, 0, None

    def on(self, stranger: Stranger, message: str) -> Pieces:
        answer = stranger.answer(message)
        if message.startswith("SENSe:DATA?"):
            self.count += 1
            if self.count in self.done and self.there is not None:
                self.done[self.count](self.there)
        if answer is not None:
            yield answer

    there: Strangers | None


def put(role: str, name: str, value: float) -> Callable[[Strangers], None]:
    def turn(there: Strangers) -> None:
        there.by_name[role].device.set(name, value)

    return turn


def switched_off_and_on(role: str) -> Callable[[Strangers], None]:
    return lambda there: there.by_name[role].device.restart()


def taken(tmp_path: Path, recipe: Path, done: dict[int, Callable[[Strangers], None]], *, shots: int = 5) -> Outcome:
    """Two records for each shot: two inputs."""
    recipe.write_text(recipe.read_text(encoding="utf-8").replace("shots: 2", f"shots: {shots}"), encoding="utf-8")
    knobs = AtRecord(done)
    with strangers(tmp_path, "scpi", faults={"digitizer": knobs}) as there, watched():
        knobs.there = there
        outcome = run(load_recipe(recipe), load_bench(there.file), pause=lambda seconds: None)
        assert not there.outputs_on
    return outcome


def test_without_a_knob_that_is_turned_the_shots_count(tmp_path: Path, recipe: Path) -> None:
    outcome = taken(tmp_path, recipe, {})
    assert outcome.verdict is Verdict.PASS
    assert outcome.measurements[0].shots == 5


KNOBS = {
    # a setting that is back before the end: found by what is asked with each record
    "a range, and back": (
        {4: put("digitizer", "range1", 16.0), 6: put("digitizer", "range1", 8.0)},
        "input1.range was",
    ),
    "an offset, and back": (
        {4: put("digitizer", "offset2", 0.5), 6: put("digitizer", "offset2", 0.0)},
        "input2.offset was",
    ),
    "the time base, and back": (
        {4: put("digitizer", "interval", 2e-5), 6: put("digitizer", "interval", 1e-5)},
        "timebase.interval was",
    ),
    # one that stays: found at the end at the latest
    "a slope": ({4: put("digitizer", "slope", "NEG")}, "trigger.slope was"),  # type: ignore[arg-type]
    "the supply": ({4: put("supply", "voltage", 11.9)}, "voltage was 12 V and is 11.9 V now"),
    "the source": ({4: put("source", "offset", 0.98)}, "offset was"),
    # switched off and on between two shots
    "a digitizer that restarts": ({4: switched_off_and_on("digitizer")}, "switched off and on"),
    "a supply that restarts": ({4: switched_off_and_on("supply")}, "switched off and on"),
    "a source that restarts": ({4: switched_off_and_on("source")}, "switched off and on"),
    "a source that restarts after the last record": ({10: switched_off_and_on("source")}, "switched off and on"),
}


@pytest.mark.parametrize("name", KNOBS)
def test_what_changes_between_two_shots_voids_them(tmp_path: Path, recipe: Path, name: str) -> None:
    done, told = KNOBS[name]
    (one,) = taken(tmp_path, recipe, done).measurements
    assert one.verdict is Verdict.ERROR
    assert told in one.error
