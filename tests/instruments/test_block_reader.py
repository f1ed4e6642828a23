"""Which patience holds while a block is read off a stream: the whole answer's before it begins, the stall's inside."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from wavewright.errors import BadAnswer, NoAnswer
from wavewright.instruments.block_reader import read_bare_bytes, read_block
from wavewright.instruments.deadlines import Deadline

WHOLE, STALL = 20.0, 0.25  # s


class Stream:
    """A wire without end marks that gives what it has, and remembers how long it was to wait for each part."""

    has_end_marks = False

    def __init__(self, content: bytes) -> None:
        self.left, self.waits = content, []  # type: ignore[var-annotated]

    @contextmanager
    def termination_off(self) -> Iterator[None]:
        yield

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        self.waits.append(deadline.timeout)
        if not self.left:
            raise NoAnswer("nothing more came")
        part = self.left[: min(len(buffer), 4)]
        buffer[: len(part)] = part
        self.left = self.left[len(part) :]
        return len(part), False


def test_the_first_byte_has_the_whole_time_and_every_later_one_the_stall() -> None:
    wire = Stream(b"#18abcdefgh\n")
    head, data = read_block(wire, Deadline(WHOLE, stall=STALL), silence=None)  # type: ignore[arg-type]
    assert (head, data.tobytes()) == (b"#18", b"abcdefgh")
    assert wire.waits[0] == WHOLE
    assert set(wire.waits[1:]) == {STALL}


def test_a_block_of_which_no_byte_came_is_cut_short_after_the_stall() -> None:
    wire = Stream(b"#18")
    with pytest.raises(BadAnswer, match="cut short: 0 of 8 bytes"):
        read_block(wire, Deadline(WHOLE, stall=STALL), silence=None)  # type: ignore[arg-type]
    assert wire.waits[-1] == STALL


class Marked(Stream):
    """One that marks the end of a message."""

    has_end_marks = True

    def read_into(self, buffer: memoryview, deadline: Deadline) -> tuple[int, bool]:
        count, _ = super().read_into(buffer, deadline)
        return count, not self.left


@pytest.mark.parametrize(
    "kind, message",
    [
        (Stream, b"#211abcdefghijk\n"),
        (Marked, b"#211abcdefghijk\n"),
        (Stream, b"#13abc\n"),
        (Marked, b"#13abc\n"),
        (Marked, b"#0abcdefghijk\n"),
    ],
)
def test_who_looks_on_sees_each_byte_of_the_data_once_and_in_order(kind: type[Stream], message: bytes) -> None:
    parts: list[bytes] = []
    _, data = read_block(
        kind(message),  # type: ignore[arg-type]
        Deadline(WHOLE, stall=STALL),
        seen=lambda part: parts.append(part.tobytes()),
    )
    assert b"".join(parts) == data.tobytes() == message.lstrip(b"#0123456789").rstrip()


def test_bytes_without_a_header_are_seen_too() -> None:
    parts: list[bytes] = []
    wires = (Stream(b"abcdefgh\n"), Marked(b"abcdefgh\n"))
    for wire in wires:
        read_bare_bytes(
            wire,  # type: ignore[arg-type]
            Deadline(WHOLE, stall=STALL),
            count=8,
            seen=lambda part: parts.append(part.tobytes()),
        )
    assert b"".join(parts) == 2 * b"abcdefgh"
