"""Every item is answered once, whatever happens in between."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.archive.letters import Letters
from wavewright.archive.answer_file import AnswerFile
from wavewright.archive.collecting import MOST_ALIKE, Answers, collect, worst
from wavewright.archive.logbook_answers import LogbookAnswers
from wavewright.archive.workers import Portions, ThisProcess
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook

WORDS = [f"word{number}" for number in range(40)]


def opened(kind: str, folder: Path, *, afresh: bool = False) -> AnswerFile | LogbookAnswers:
    if kind == "file":
        return AnswerFile(folder / "words.answers", "a" * 64, afresh=afresh)
    return LogbookAnswers(Logbook(folder / "words.sqlite"), "a" * 64, {"asked": "letters"}, afresh=afresh)


def answered(answers: Answers) -> dict[str, int]:
    return {one.item: one.document["letters"] for one in answers.about(WORDS)}


@pytest.mark.parametrize("kind", ["file", "logbook"])
def test_what_is_broken_off_is_taken_up(kind: str, tmp_path: Path) -> None:
    query = Letters()

    def stop(done: int, of: int) -> None:
        if done == 25:
            raise KeyboardInterrupt

    with opened(kind, tmp_path) as answers, pytest.raises(KeyboardInterrupt):
        collect(query, WORDS, ThisProcess(), answers, said=stop)
    assert query.asked == WORDS[:25]
    again = Letters()
    with opened(kind, tmp_path) as answers:
        collect(again, WORDS, ThisProcess(), answers)
        assert again.asked == WORDS[25:]
        assert answered(answers) == {word: len(word) for word in WORDS}
    with opened(kind, tmp_path, afresh=True) as answers:
        assert answers.stamps() == {}


@pytest.mark.parametrize("kind", ["file", "logbook"])
def test_what_had_a_fault_or_has_changed_is_asked_again(kind: str, tmp_path: Path) -> None:
    items = ["plain", "bad word", "wrong", "changing"]
    first = Letters(stamps={"changing": "monday", "plain": "sunday"})
    with opened(kind, tmp_path) as answers:
        collect(first, items, ThisProcess(), answers)
        found = {one.item: one for one in answers.about(items)}
    assert found["bad word"].fault == "bad word: not a word"
    assert "ZeroDivisionError: one over nothing\n  do: this is a defect" in found["wrong"].fault
    assert [found[item].status for item in items] == [0, 3, 3, 0]
    again = Letters(stamps={"changing": "tuesday", "plain": "sunday"})
    with opened(kind, tmp_path) as answers:
        collect(again, items, ThisProcess(), answers)
        assert again.asked == ["bad word", "wrong", "changing"]
        assert [one.item for one in answers.about(items)] == items


def test_a_store_that_is_away_is_said_once_and_what_was_answered_stays(tmp_path: Path) -> None:
    items = [*WORDS, *(f"away{number}" for number in range(1000))]
    query = Letters()
    with opened("file", tmp_path) as answers:
        with pytest.raises(
            StorageFault, match=r"the store: no answer from .*\n21 answers in a row say so, 979 are left"
        ):
            collect(query, items, ThisProcess(), answers)
        assert len(query.asked) == len(WORDS) + MOST_ALIKE + 1
    with opened("file", tmp_path) as answers:
        assert set(answers.stamps()) == set(WORDS)


def test_one_missing_capture_after_another_is_not_taken_for_a_store_that_is_away(tmp_path: Path) -> None:
    with opened("file", tmp_path) as answers:
        collect(Letters(), [f"bad{number}" for number in range(60)], ThisProcess(), answers)
        collect(Letters(), [f"gone{number}" for number in range(60)], ThisProcess(), answers)


def test_the_status_of_many_is_that_of_the_worst() -> None:
    assert [worst(each) for each in ({0}, {0, 2}, {1, 2}, {0, 1, 3}, set())] == [0, 2, 1, 3, 0]


def test_portions_grow_to_half_a_second_and_no_faster_than_twice() -> None:
    portions = Portions(iter(map(str, range(10_000))))
    sizes = []
    for _ in range(8):
        some = portions.take()
        sizes.append(len(some))
        portions.learn(len(some), len(some) * 0.01)  # 10 ms each: 50 in half a second
    assert sizes == [1, 2, 4, 8, 16, 32, 50, 50]
    portions.learn(1, 30.0)
    assert len(portions.take()) == 1


def test_portions_for_many_workers_are_worth_more_so_that_a_scheduler_keeps_up() -> None:
    portions = Portions(iter(map(str, range(100_000))))
    portions.worth = 20.0  # 1,000 workers
    for _ in range(15):
        portions.learn(len(some := portions.take()), len(some) * 0.002)
    assert len(portions.take()) == 20.0 / 0.002
