"""Several queries in one message: joined, taken apart, and asked one by one where an instrument takes none together."""

from __future__ import annotations

import dataclasses

import pytest

from tests.instruments.conftest import QUICK, Connect
from tests.instruments.plain_visa import Device
from wavewright.errors import BadAnswer, Complaint
from wavewright.instruments.compound_query import QueryUnit, joined, messages_of, separated
from wavewright.instruments.scpi import read_number

TOGETHER = dataclasses.replace(QUICK, compound=True, error_bits=60)
UNITS = [QueryUnit("ONE?", read_number), QueryUnit("TWO?", str), QueryUnit("*STB?", read_number)]
ANSWERS = {"ONE?": b"1.5\n", "TWO?": b'"a;b"\n', "*STB?": b"0\n"}


class OneByOne(Device):
    """Answers a message of several units with nothing but an error."""

    def __call__(self, message: bytes) -> bytes | None:
        return None if b";" in message else super().__call__(message)


def test_each_header_after_the_first_starts_at_the_root() -> None:
    # IEEE 488.2-1992, A.1.2 (from memory, not verified): without the colon it would go on from the path before it
    assert joined(UNITS) == "ONE?;:TWO?;*STB?"


def test_no_message_is_longer_than_the_instrument_takes() -> None:
    units = [QueryUnit(f"HEADer{number}?", str) for number in range(10)]
    groups = list(messages_of(units, most_bytes=40))
    assert [unit.text for group in groups for unit in group] == [unit.text for unit in units]
    assert max(len(joined(group)) for group in groups) <= 38
    assert len(groups) == 3


@pytest.mark.parametrize("answer", ["1.5", "1.5;2", "", '1.5;"a;b', "x;2;0", "1.5;2;0;0"])
def test_an_answer_that_is_not_one_for_each_query_is_none(answer: str) -> None:
    with pytest.raises(BadAnswer):
        separated(answer, UNITS)


def test_all_is_asked_in_one_message(connect: Connect) -> None:
    link = connect(Device(ANSWERS), manners=TOGETHER)
    assert link.ask_each(UNITS) == [1.5, '"a;b"', 0.0]


def test_an_instrument_that_takes_one_query_only_is_asked_one_by_one(connect: Connect) -> None:
    device = OneByOne(ANSWERS)
    link = connect(device, manners=TOGETHER)
    for _ in range(3):
        assert link.ask_each(UNITS) == [1.5, '"a;b"', 0.0]
    assert not link.takes_several


def test_one_damaged_answer_does_not_end_it(connect: Connect) -> None:
    device = Device({**ANSWERS, "ONE?": [b"\x07\n", b"1.5\n", b"1.5\n"]})
    link = connect(device, manners=TOGETHER)
    assert link.ask_each(UNITS)[0] == 1.5
    assert link.ask_each(UNITS)[0] == 1.5
    assert link.takes_several


def test_an_error_is_not_lost_with_the_damaged_answer_that_showed_it(connect: Connect) -> None:
    # given an event register that says "execution error", and whose answer, which clears it, is damaged
    full = [b'-222,"Data out of range"\n', *[b'0,"No error"\n'] * 4]
    device = Device({**ANSWERS, "*ESR?": [b"1\x076\n", b"0\n", b"0\n", b"0\n"], "SYSTem:ERRor?": full})
    link = connect(device, manners=TOGETHER)
    link.ask_each([*UNITS, *link.status.error_units])
    with pytest.raises(Complaint, match="-222"):
        link.status.complain("setting it")


def test_a_register_is_believed_although_another_answer_of_its_message_is_damaged(connect: Connect) -> None:
    # given a restart that is told once, in a message of which another answer makes no sense
    device = Device({**ANSWERS, "ONE?": [b"x\n", b"1.5\n"], "*ESR?": [b"0\n", b"128\n", b"0\n", b"0\n"]})
    link = connect(device, manners=TOGETHER)
    link.status.watch_restarts()
    assert link.ask_each([*UNITS, *link.status.units])[0] == 1.5
    with pytest.raises(Complaint, match="switched off and on"):
        link.status.complain("measuring")


def test_the_queue_is_read_only_when_the_register_says_so(connect: Connect) -> None:
    device = Device({"*ESR?": [b"0\n", b"16\n"], "SYSTem:ERRor?": [b'-222,"Data out of range"\n', b'0,"No error"\n']})
    link = connect(device, manners=TOGETHER)
    link.status.check("measuring")
    assert "SYSTem:ERRor?" not in device.sent
    with pytest.raises(Complaint, match="measuring: the instrument says -222"):
        link.status.check("measuring")
