from __future__ import annotations

import json
import pickle

import numpy as np
import pytest

from tests.buses.wires import uart_of
from wavewright.buses.frame import ERRORS, Frame
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import ABSENT, BitTexts, Numbers, Objects, Pieces, Words

THREE = [
    Frame(0.0, 1.0, "a", {"x": 1, "raw": b"\x01\x02"}, ()),
    Frame(1.0, 2.0, "b", {"x": 2}, ("crc", "gap")),
    Frame(2.0, 3.0, "a", {"y": (True, False)}, ("gap",)),
]


def table() -> Frames:
    """The same three as columns."""
    has_raw, has_x, has_y = np.eye(3, dtype=bool)[0], np.array([True, True, False]), np.eye(3, dtype=bool)[2]
    none, two = np.array([0, 2, 2]), np.array([2, 2, 2])
    return Frames(
        [0, 1, 2],
        [1, 2, 3],
        Words(np.array([0, 1, 0]), ("a", "b")),
        {
            "x": Numbers(np.array([1, 2, 9]), has_x),
            "raw": Pieces(np.array([1, 2], np.uint8), none, two, has_raw),
            "y": Pieces(np.array([True, False]), np.zeros(3, int), np.array([0, 0, 2]), has_y),
            "_hidden": Numbers(np.zeros(3)),
        },
        errors={"crc": [False, True, False], "gap": [False, True, True]},
    )


@pytest.mark.parametrize("frames", [Frames.of(THREE), table()], ids=["objects", "columns"])
def test_frames_behave_as_a_list(frames: Frames) -> None:
    assert len(frames) == 3
    assert list(frames) == THREE
    assert frames == THREE
    assert frames[1] == THREE[1]
    assert frames[-1] == THREE[2]
    assert frames[1:] == THREE[1:]
    assert frames[::-1] == THREE[::-1]
    assert [*frames, *frames] == frames + frames == THREE + frames
    assert THREE[1] in frames
    assert frames.index(THREE[2]) == 2
    assert frames != THREE[:2]
    assert frames.take([2, 0]) == [THREE[2], THREE[0]]
    assert frames.take(frames.has_errors) == THREE[1:]
    assert pickle.loads(pickle.dumps(frames)) == THREE
    with pytest.raises(IndexError):
        frames[3]
    assert not Frames.of([])


def test_each_column_says_the_same_one_by_one_and_all_at_once() -> None:
    present = np.array([True, False, True])
    bits = np.array([True, False, True, True])
    first, last = np.array([0, 1, 2]), np.array([1, 1, 4])
    for column in (
        Numbers(np.array([1.5, 2.5, 3.5]), present),
        Numbers(np.array([1, 2, 3])),
        Words(np.array([0, -1, 1]), ("a", "b")),
        Pieces(np.array([1, 2, 3, 4], np.uint8), first, last, present),
        Pieces(bits, first, last),
        BitTexts(bits, first, last, present),
        Objects([1, ABSENT, "x"]),
    ):
        assert column.to_list() == [column[row] for row in range(3)]
        assert column.take(np.array([2, 0])).to_list() == [column[2], column[0]]


def test_a_frame_is_plain_numbers_and_words_in_json() -> None:
    plain = THREE[0].as_json()
    assert json.loads(json.dumps(plain)) == {
        "start": 0.0, "end": 1.0, "kind": "a", "fields": {"x": 1, "raw": "01 02"}, "errors": [],
    }  # fmt: skip
    assert Frame(0, 1, "a", {"f": (1, b"\xff")}).as_json()["fields"] == {"f": [1, "FF"]}
    assert THREE[0].is_clean
    assert not THREE[1].is_clean
    assert THREE[0]["x"] == 1


def test_a_long_list_shows_its_first_frames() -> None:
    assert repr(Frames.of(THREE)) == repr(THREE)
    assert "… (40 frames)" in repr(uart_of("0 00010010 1" * 40)).replace("…]", "…")


def test_every_error_word_is_explained_once() -> None:
    assert all(words and meaning for words, meaning in ERRORS.items())
    assert len(ERRORS) <= 32  # each is a bit of a mask
