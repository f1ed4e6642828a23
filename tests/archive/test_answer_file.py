"""A file of answers outlives a kill at any byte of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.archive.letters import Letters
from wavewright.archive.answer_file import AnswerFile
from wavewright.errors import StorageFault

QUESTION = "b" * 64
ITEMS = ["one", "three", "twelve"]


def written(path: Path) -> bytes:
    query = Letters()
    with AnswerFile(path, QUESTION) as answers:
        for item in ITEMS:
            answers.take(query.answer(item).written())
    return path.read_bytes()


def test_it_is_taken_up_from_every_length_that_a_kill_can_leave(tmp_path: Path) -> None:
    path = tmp_path / "words.answers"
    whole = written(path)
    ends = [n + 1 for n, byte in enumerate(whole) if byte == ord("\n")]
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        with AnswerFile(path, QUESTION) as answers:
            assert list(answers.stamps()) == ITEMS[: max(0, sum(end <= length for end in ends) - 1)]
            for item in ITEMS:
                if item not in answers.stamps():
                    answers.take(Letters().answer(item).written())
            assert [one.document for one in answers.about(ITEMS)] == [{"letters": len(item)} for item in ITEMS]
        assert path.read_bytes() == whole


def test_answers_to_another_query_are_neither_used_nor_lost(tmp_path: Path) -> None:
    path = tmp_path / "words.answers"
    whole = written(path)
    with pytest.raises(StorageFault, match=r"answers to another query(.|\n)*--afresh"):
        AnswerFile(path, "c" * 64)
    assert path.read_bytes() == whole
    with AnswerFile(path, "c" * 64, afresh=True) as answers:
        assert answers.stamps() == {}


def test_two_processes_do_not_write_the_same_answers(tmp_path: Path) -> None:
    path = tmp_path / "words.answers"
    with AnswerFile(path, QUESTION), pytest.raises(StorageFault, match="another process writes these answers"):
        AnswerFile(path, QUESTION)
    with AnswerFile(path, QUESTION) as answers:
        answers.remove()
    assert list(tmp_path.iterdir()) == []
