"""Captures of passes go by rules; of everything else they stay, and of every pass the run."""

from __future__ import annotations

import math
import pickle
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.chain import runs_without_codes
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.maintenance import Pruned, prune, thin
from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.retention import Retention, RunMark
from wavewright.logbook.shared_store import SharedStore
from wavewright.logbook.verification import verify

NOW = START + timedelta(days=400)
ALL = Retention(older_than=0)

RULES = st.builds(
    Retention,
    older_than=st.integers(0, 400),
    one_of=st.none() | st.integers(2, 9),
    last_of_unit=st.integers(0, 3),
    last_of_part=st.integers(0, 3),
)
VERDICTS = ("pass", "fail", "inconclusive", "error", "", "Pass", "passed", "pass ")  # words that are no verdict too
RUNS = st.lists(
    st.tuples(st.integers(0, 399), st.sampled_from(VERDICTS), st.sampled_from("ab"), st.sampled_from("123")),
    max_size=30,
)


def mark(number: int, day: int, verdict: str = "pass", part: str = "VC-204", serial: str = "1") -> RunMark:
    return RunMark(f"run {number}", START + timedelta(days=day), verdict, "rail", "0" * 64, part, serial)


@given(rule=RULES, runs=RUNS)
def test_no_rule_takes_anything_but_passes_or_more_than_it_says(rule: Retention, runs: list[Any]) -> None:
    marks = [mark(number, *one) for number, one in enumerate(runs)]
    gone = rule.disposable(marks, now=NOW)
    assert {run.verdict for run in gone} <= {"pass"}
    assert all(NOW - run.started > timedelta(days=rule.older_than or 0) for run in gone)
    stay = [run for run in marks if run not in gone]
    passes = [run for run in marks if run.verdict == "pass"]
    for part in "ab":
        of_part = [run for run in passes if run.part == part]
        assert sum(run in stay for run in of_part) >= min(rule.last_of_part, len(of_part))
        for serial in "123":
            newest = sorted((run for run in of_part if run.serial == serial), key=lambda run: (run.started, run.name))
            assert all(run in stay for run in newest[len(newest) - min(rule.last_of_unit, len(newest)) :])
    # a rule that is applied again to what has stayed takes nothing more
    assert rule.disposable(marks, now=NOW) == gone


def test_one_of_n_stays_by_lot_and_always_the_same_one() -> None:
    marks = [mark(number, 0, serial=f"VC204-{number:05}") for number in range(4000)]
    gone = Retention(one_of=20).disposable(marks, now=NOW)
    expected, deviation = 4000 / 20, math.sqrt(4000 * 0.05 * 0.95)  # binomial: n p, sqrt(n p (1 - p))
    assert abs(len(marks) - len(gone) - expected) < 4 * deviation
    stayed = list(set(marks) - set(gone))
    assert Retention(one_of=20).disposable(stayed, now=NOW) == []


def test_a_rule_says_itself_in_words() -> None:
    assert str(Retention(90, 20, 2, 5)) == (
        "captures of passes older than 90 days, but 1 of 20 and the last 2 of each unit and the last 5 of each part"
    )
    assert str(Retention(one_of=20)) == "captures of passes, but 1 of 20"


@pytest.mark.parametrize("words", [{}, {"older_than": -1}, {"one_of": 1}, {"last_of_unit": -1}])
def test_a_rule_that_makes_no_sense_is_refused(words: dict[str, int]) -> None:
    with pytest.raises(Misuse):
        Retention(**words)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """Passes 0, 1 and 4, of which 1 has the codes of the failed run 2, and an inconclusive run."""
    book = Logbook(tmp_path / "logbook.sqlite")
    ours = [
        outcome(0, seed=1), outcome(1, seed=9), outcome(2, seed=9, value=0.045), outcome(3, seed=5, value=None),
        outcome(4, seed=77),
    ]  # fmt: skip
    book.enter_all(ours, station="line 2")
    return book


def readable(book: Logbook) -> dict[str, bool]:
    found = {}
    for entry in entries(book):
        try:
            found[entry.serial[-1]] = book.outcome(entry.id).captures["rail_noise"][0] is not None
        except StorageFault:
            found[entry.serial[-1]] = False
    return found


def test_captures_of_passes_go_and_the_runs_stay_and_the_chain_says_so(book: Logbook) -> None:
    before = {entry.id: outcome_as_json(book.outcome(entry.id)) for entry in entries(book)}
    would = thin(book, ALL, dry=True, now=NOW)
    assert all(readable(book).values())
    assert verify(book).chains[0].prunings == []
    assert thin(book, ALL, now=NOW) == would
    assert (would.runs, would.files, would.size > 0) == (3, 2, True)
    assert readable(book) == {"0": False, "1": True, "2": True, "3": True, "4": False}  # 2 needs the codes of 1
    assert {entry.id: outcome_as_json(book.outcome(entry.id)) for entry in entries(book)} == before
    found = verify(book)
    assert (found.flaws, found.runs, found.captures, found.pruned) == ((), 5, 2, 2)
    (told,) = found.chains[0].prunings
    assert (told.rule, told.runs, told.captures_only) == ("captures of passes older than 0 days", 3, True)
    # who asks for them is told
    (gone,) = (entry.id for entry in entries(book) if entry.serial == "VC204-0000")
    with pytest.raises(StorageFault, match=r"deleted by `wavewright logbook prune` on .* \(rule: captures of"):
        pickle.loads(pickle.dumps(book.outcome(gone).captures["rail_noise"]))[0]  # as another process gets them
    # once is enough
    assert thin(book, ALL, now=NOW) == Pruned(0, 0, 0)
    assert len(verify(book).chains[0].prunings) == 1


def test_what_no_rule_took_is_still_missed(book: Logbook) -> None:
    thin(book, Retention(older_than=0, last_of_part=1), now=NOW)
    (kept,) = (entry.id for entry in entries(book) if entry.serial == "VC204-0004")
    shots: Any = book.outcome(kept).captures["rail_noise"]
    shots.path.unlink()
    (flaw,) = verify(book).flaws
    assert (flaw.runs, "are missing" in flaw.what) == ((kept,), True)


def test_a_filter_narrows_what_goes_and_not_which_passes_are_the_last(book: Logbook) -> None:
    rule = Retention(older_than=0, last_of_part=1)
    thin(book, rule, Filter(until=START + timedelta(seconds=30), verdict="pass"), now=NOW)
    assert readable(book) == {"0": False, "1": True, "2": True, "3": True, "4": True}
    (told,) = verify(book).chains[0].prunings
    assert told.rule.startswith(
        "captures of passes older than 0 days, but the last 1 of each part, of runs with until "
    )


def test_captures_of_runs_that_did_not_pass_are_refused(book: Logbook) -> None:
    with pytest.raises(Misuse, match="a rule never takes those of other runs"):
        thin(book, ALL, Filter(verdict="fail"), now=NOW)
    assert all(readable(book).values())


def test_a_prune_that_is_killed_before_the_files_go_is_completed_by_the_next(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> int:
        raise KeyboardInterrupt

    with monkeypatch.context() as held:
        held.setattr(CodeStore, "remove", killed)
        with pytest.raises(KeyboardInterrupt):
            thin(book, ALL, now=NOW)
    assert verify(book).flaws == ()
    assert prune(book, None).files == 2
    assert verify(book).flaws == ()
    assert readable(book) == {"0": False, "1": True, "2": True, "3": True, "4": False}


def test_codes_that_come_again_after_they_went_stay(book: Logbook) -> None:
    thin(book, ALL, now=NOW)
    book.enter(outcome(6, seed=77, value=0.05), station="line 2")
    assert prune(book, None).files == 0
    assert readable(book)["6"]
    assert verify(book).flaws == ()


def test_a_shared_store_must_be_named_and_keeps_what_another_run_needs(tmp_path: Path) -> None:
    where = tmp_path / "shared"
    with Logbook(tmp_path / "line.sqlite", captures=where) as book:
        book.enter_all([outcome(0, seed=1), outcome(1, seed=9), outcome(2, seed=9, value=0.045)])
        book.codes.send_waiting()
        with pytest.raises(Misuse, match="in a shared store"):
            thin(book, ALL, now=NOW)
        would = thin(book, ALL, now=NOW, dry=True, shared=True)
        assert thin(book, ALL, now=NOW, shared=True) == would == Pruned(2, 1, would.size)
        assert readable(book) == {"0": False, "1": True, "2": True}
        assert len(list(SharedStore(str(where)).contents())) == 1
        assert (verify(book).flaws, verify(book).pruned) == ((), 1)
        with book.reading() as connection:
            assert len(runs_without_codes(connection)) == 2
