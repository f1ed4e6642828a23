"""What can go wrong in an exchange, each on the simulated library, on a raw socket and on HiSLIP: one clear error that
names message and instrument, and the link is usable again afterwards. The client of the sockets is PyVISA-py 0.8.1."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.instruments.every_wire import WIRES, on_a_wire
from wavewright.errors import BadAnswer, Complaint, LinkLost, NoAnswer, WireFault
from wavewright.instruments.link import Link
from wavewright.instruments.wire_log import WireLog

RECORD = 'SENSe:DATA? "XTIMe:VOLTage 1"'
LEVEL = "TRIGger:LEVel?"


def in_step(link: Link) -> bool:
    """Three queries of different kinds have the answers that belong to them."""
    return (
        link.ask("TRIGger:SLOPe?") == "POS"
        and link.ask("*IDN?").startswith("Wavewright,Simulated digitizer")
        and b"TRIGger[:SEQuence]:LEVel" in link.ask_block("SYSTem:HELP:HEADers?").tobytes()
    )


@dataclass(frozen=True)
class Case:
    """A fault that is ordered at a message, what is asked then, and the error that is due: its class, and words."""

    fault: str
    message: str
    kind: type[WireFault] | tuple[type[WireFault], ...]
    words: str


CASES = {
    "half a block": Case(r"short block, at: 'DATA\?', bytes: 500", RECORD, BadAnswer, "cut short|no NL"),
    "one byte short": Case(r"short block, at: 'DATA\?', bytes: 1", RECORD, BadAnswer, "cut short|no NL"),
    "more promised": Case(r"wrong count, at: 'DATA\?', bytes: 5", RECORD, BadAnswer, "cut short|no NL"),
    "less promised": Case(r"wrong count, at: 'DATA\?', bytes: -5", RECORD, BadAnswer, "more bytes|follows the"),
    "garbage before the block": Case(
        r"garbage first, at: 'DATA\?', text: '\x07?? '", RECORD, BadAnswer, r"something else than `#`: `\\x07"
    ),
    "a block that breaks off with the link": Case(
        r"drop the link, at: 'DATA\?', bytes: 300", RECORD, (LinkLost, BadAnswer), "connection|cut short|no answer"
    ),
    "no block at all": Case(
        r"another answer, at: 'DATA\?', text: '-230'", RECORD, BadAnswer, "something else than `#`"
    ),
    "garbage before a number": Case(r"garbage first, at: 'LEV', text: '** '", LEVEL, BadAnswer, "not a number"),
    "an answer to an earlier query": Case("old answer, at: 'LEV'", LEVEL, BadAnswer, "`.*` is not a number"),
    "a line with a NUL": Case(
        r"another answer, at: 'LEV', text: '1.5\x00E3'",
        LEVEL,
        BadAnswer,
        r"`1.5\\x00E3` contains bytes that are not text",
    ),
    "an empty line": Case("another answer, at: 'LEV', text: ''", LEVEL, BadAnswer, "the answer is empty"),
    "bytes that the line garbled": Case("garble, at: 'LEV', bytes: 6", LEVEL, BadAnswer, "not a number|no text|ascii"),
    "no answer in time": Case("delay, at: 'LEV', by: 600 ms", LEVEL, NoAnswer, "no answer within|nothing more came"),
    "a link that drops": Case("drop the link, at: 'LEV'", LEVEL, (LinkLost, NoAnswer, BadAnswer), "connection|answer"),
    "an instrument that is stuck": Case("stuck busy, at: 'OPC'", "*OPC?", NoAnswer, "no answer|nothing more came"),
    "a reset in mid-run": Case("reset, at: 'LEV'", LEVEL, NoAnswer, "no answer within|nothing more came"),
}


def asked(link: Link, message: str) -> object:
    if message == RECORD:
        return link.ask_block(message)
    return link.ask_number(message, repeatable=False)


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_one_clear_error_and_the_link_works_again(tmp_path: Path, wire: str, case: str) -> None:
    fault, message, kind, words = CASES[case].fault, CASES[case].message, CASES[case].kind, CASES[case].words
    faults = f"{{it: {{instrument: digitizer, times: 1, fault: {fault}}}}}"
    with on_a_wire(tmp_path, wire, faults=faults) as bench:
        link = bench.link("digitizer")
        for told in ("FORMat:DATA INTeger,8", "SENSe:SWEep:POINts 1000", "TRIGger:SOURce IMMediate"):
            link.write(told)
        if message == RECORD:
            link.write("INITiate")
            assert link.ask("*OPC?") == "1"
        with pytest.raises(kind, match=words) as caught:
            asked(link, message)
        assert message in str(caught.value)
        assert "(digitizer)" in str(caught.value)
        assert "::" in str(caught.value)
        assert in_step(link)
        link.close()


@pytest.mark.parametrize("wire", WIRES)
def test_a_harmless_query_is_asked_again_and_another_is_not(tmp_path: Path, wire: str) -> None:
    faults = "{it: {instrument: digitizer, at: 'LEV', every: 2, fault: garbage first}}"
    with on_a_wire(tmp_path, wire, faults=faults) as bench:
        link = bench.link("digitizer")
        assert [link.ask_number(LEVEL) for _ in range(9)] == [0.0] * 9  # 17 queries, every second one in vain
        with pytest.raises(BadAnswer, match="not a number"):
            link.ask_number(LEVEL, repeatable=False)
        link.close()


@pytest.mark.parametrize("wire", WIRES)
def test_no_value_and_overload_are_no_settings(tmp_path: Path, wire: str) -> None:
    # SCPI-99 volume 1, 7.2.1 (from memory, not verified): 9.91E37 is NaN
    faults = r"{it: {instrument: digitizer, at: 'LEV\w*\?', times: 3, fault: another answer, text: 9.91E+37}}"
    with on_a_wire(tmp_path, wire, faults=faults) as bench, bench.bench("digitizer") as opened:
        assert math.isnan(opened.digitizer.link.ask_number(LEVEL))
        # twice, for what is asked of a setting is asked again
        with pytest.raises(BadAnswer, match=r"`trigger\.level` is nan") as caught:
            opened.digitizer.get_finite("trigger.level")
        assert "(digitizer)" in str(caught.value)
        assert opened.digitizer.get_finite("trigger.level") == 0.0


@pytest.mark.parametrize("wire", WIRES)
def test_an_answer_left_unread_is_told_before_it_is_taken_for_another(tmp_path: Path, wire: str) -> None:
    # IEEE 488.2-1992, 6.3 (from memory, not verified): INTERRUPTED where a link knows message ends; a raw socket keeps
    # the old answer, and the link sees that it is there
    with on_a_wire(tmp_path, wire) as bench:
        link = bench.link("digitizer")
        link.write("TRIGger:SOURce?")
        if wire == "raw socket":
            while not link._connection.wire.is_something_waiting():
                pass
            with pytest.raises(BadAnswer, match=r"`IMM.x0a` had arrived before `TRIGger:LEVel\?` was sent"):
                link.ask_number(LEVEL, repeatable=False)
        else:
            assert link.ask_number(LEVEL) == 0.0
            with pytest.raises(Complaint, match='-410,"Query INTERRUPTED') as caught:
                link.status.check_errors("asking for the level")
            assert "before the answer to the query in front of it had been read to its end" in str(caught.value)
        assert in_step(link)
        link.close()


UNANSWERED = {
    "a message without an answer": ("TRIGger:LEVel 1", '-420,"Query UNTERMINATED', "nothing had been queried"),
    "a misspelt query": ("TRIGger:LEVle?", '-113,"Undefined header', "did not understand the message"),
    # the answers fill the output queue, the queries the input buffer
    "too many queries at once": (
        "SYSTem:HELP:HEADers?" + ";HEADers?" * 600,
        '-430,"Query DEADLOCKED',
        "split the message",
    ),
    "a query after an arbitrary answer": ("*IDN?;TRIGger:SLOPe?", "", ""),
}


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize("case", UNANSWERED, ids=str)
def test_silence_is_explained_by_what_the_instrument_says(tmp_path: Path, wire: str, case: str) -> None:
    message, entry, explanation = UNANSWERED[case]
    with on_a_wire(tmp_path, wire) as bench:
        link = bench.link("digitizer")
        if not entry:  # IEEE 488.2-1992, 8.7.11: arbitrary ASCII ends the message, what follows is -440
            assert link.ask(message).startswith("Wavewright,")
            with pytest.raises(Complaint, match="-440"):
                link.status.check_errors("asking twice")
            assert in_step(link)
            return
        with pytest.raises(NoAnswer) as caught:
            link.ask(message)
        assert message[:40] in str(caught.value)
        assert "(digitizer)" in str(caught.value)
        if entry.startswith("-420") and wire != "library":
            # no message of HiSLIP or TCP says that the client waits in vain, so nothing can be told
            assert "its error queue says" not in str(caught.value)
        else:
            assert entry in str(caught.value)
            assert explanation in str(caught.value)
        assert in_step(link)
        link.close()


@pytest.mark.parametrize("wire", WIRES)
def test_a_burst_of_errors_is_told_once_and_is_gone(tmp_path: Path, wire: str) -> None:
    faults = "{it: {instrument: digitizer, at: 'LEV', times: 1, fault: errors, count: 30}}"
    with on_a_wire(tmp_path, wire, faults=faults) as bench, bench.bench("digitizer") as opened:
        opened.digitizer.set("trigger.level", 1.0)
        with pytest.raises(Complaint, match="setting the level: the instrument says -310") as caught:
            opened.digitizer.check_errors("setting the level")
        assert '-350,"Queue overflow' in str(caught.value)
        assert "(digitizer)" in str(caught.value)
        opened.digitizer.check_errors("again")
        assert in_step(opened.digitizer.link)


@pytest.mark.parametrize("wire", WIRES)
def test_a_device_clear_ends_what_timed_out_where_the_wire_has_one(tmp_path: Path, wire: str) -> None:
    with on_a_wire(tmp_path, wire) as bench:
        log = io.StringIO()
        link = bench.link("digitizer", wire_log=WireLog(log))
        for told in ("TRIGger:SOURce BUS", "INITiate"):
            link.write(told)
        with pytest.raises(NoAnswer):
            link.ask("*OPC?")
        opened_again = log.getvalue().count("opened TCPIP0") - 1
        assert opened_again == (1 if wire == "raw socket" else 0)
        link.write("ABORt")
        assert link.ask("*OPC?") == "1"
        assert in_step(link)
        link.status.check_errors("afterwards")  # a device clear, unlike a new message, interrupts nothing: no -410
        link.close()
