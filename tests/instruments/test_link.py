"""The link: one query, one answer, and in step again after everything that can go wrong in between."""

from __future__ import annotations

import math
from typing import Any

import pytest
import pyvisa

from tests.instruments.conftest import MARKED, STREAM, Connect
from tests.instruments.plain_visa import Device, library_of, served
from wavewright.errors import BadAnswer, Complaint, LinkLost, Misuse, NoAnswer, WireFault
from wavewright.instruments.connecting import open_link
from wavewright.instruments.link import Link
from wavewright.instruments.wire_settings import WireSettings

BLOCK = b"#15ab\ncd\n"  # five bytes, one of them NL


def in_step(link: Link) -> bool:
    return link.ask("*OPT?") == "0" and link.ask("*IDN?").startswith("Reedbank")


def test_asks_who_is_there_as_soon_as_it_is_open(connect: Connect) -> None:
    device = Device()
    assert connect(device).identity == "Reedbank,Plain,0,1.0"
    assert device.sent == ["*IDN?"]


def test_a_block_may_hold_the_termination_character(connect: Connect) -> None:
    link = connect(Device({"BRING?": BLOCK}))
    assert link.ask_block("BRING?").tobytes() == b"ab\ncd"
    assert in_step(link)


def test_a_block_of_more_than_one_chunk_comes_whole(connect: Connect) -> None:
    data = bytes(range(256)) * 4096  # 1 MiB, four chunks
    link = connect(Device({"BRING?": b"#7%d" % len(data) + data + b"\n"}), manners=WireSettings(timeout=5.0))
    assert link.ask_block("BRING?").tobytes() == data
    assert in_step(link)


def test_an_empty_block_is_a_block(connect: Connect) -> None:
    link = connect(Device({"BRING?": b"#10\n"}))
    assert link.ask_block("BRING?").size == 0
    assert in_step(link)


def test_a_length_in_brackets_is_a_length(connect: Connect) -> None:
    # the form for more than 999 999 999 bytes: PyVISA pull request 914
    link = connect(Device({"BRING?": b"#(5)abcde\n"}))
    assert link.ask_block("BRING?").tobytes() == b"abcde"
    assert in_step(link)


def test_a_record_without_a_header_is_read_by_count(connect: Connect) -> None:
    # PyVISA issue 92
    link = connect(Device({"BRING?": b"\n\n#\n\n\n"}))
    assert link.ask_bytes("BRING?", 5).tobytes() == b"\n\n#\n\n"
    assert in_step(link)


def test_carriage_return_and_newline_end_a_block_too(connect: Connect) -> None:
    link = connect(Device({"BRING?": b"#15abcde\r\n"}))
    assert link.ask_block("BRING?").tobytes() == b"abcde"
    assert in_step(link)


DAMAGED_BLOCKS = {
    "half of it": (b"#15abc", "cut short|breaks off|longer than its header|no answer within"),
    "one byte short": (b"#15abcd\n", "cut short|the block|no NL|longer"),
    "one byte more": (b"#15abcdef\n", "the block|more bytes"),
    "garbage in front": (b"\x07\x00#15abcde\n", "something else than `#`"),
    "a text": (b"-113\n", "something else than `#`"),
    "a damaged header": (b"#X5abcde\n", "header is damaged"),
    "a length that is not a number": (b"#2a5abcde\n", "length is not a number"),
    "a bracket without an end": (b"#(" + b"1" * 40 + b"\n", "length is not a number"),
    "more than any memory": (b"#(99999999999999)\n", "claims"),
}  # fmt: skip


@pytest.mark.parametrize("case", DAMAGED_BLOCKS, ids=str)
def test_a_damaged_block_is_one_clear_error_and_the_link_works_again(connect: Connect, case: str) -> None:
    answer, words = DAMAGED_BLOCKS[case]
    link = connect(Device({"BRING?": answer}))
    with pytest.raises(WireFault, match=words) as caught:
        link.ask_block("BRING?")
    assert type(caught.value) in (BadAnswer, NoAnswer)
    assert "BRING?" in str(caught.value)
    assert "plain" in str(caught.value)
    assert in_step(link)


DAMAGED_TEXTS = {
    "nothing at all": (None, NoAnswer, "no answer within|nothing more came"),
    "an empty line": (b"\n", BadAnswer, "empty"),
    "a NUL": (b"1.5\x00E3\n", BadAnswer, "bytes that are not text"),
    "bytes above 7 bits": (b"1.5\xb5\n", BadAnswer, "not ascii"),
    "a word": (b"LOTS\n", BadAnswer, "not a number"),
    "two numbers": (b"1,2\n", BadAnswer, "not a number"),
    "a number beyond all floats": (b"1E999\n", BadAnswer, "not a number"),
}  # fmt: skip


@pytest.mark.parametrize("case", DAMAGED_TEXTS, ids=str)
def test_a_damaged_number_is_one_clear_error_and_the_link_works_again(connect: Connect, case: str) -> None:
    answer, kind, words = DAMAGED_TEXTS[case]
    link = connect(Device({"VOLTage?": answer}))
    with pytest.raises(kind, match=words) as caught:
        link.ask_number("VOLTage?")
    assert "VOLTage?" in str(caught.value)
    assert "plain" in str(caught.value)
    assert in_step(link)


def test_after_a_time_out_the_next_answer_is_not_the_previous_one(connect: Connect) -> None:
    # PyVISA-py issue 376: on a raw socket the late answer stays in the stream
    device = Device({"FAST?": b"2\n"})
    device.answers["SLOW?"] = lambda: setattr(device, "late", b"1\n")  # sent in front of whatever is answered next
    link = connect(device)
    with pytest.raises(NoAnswer):
        link.ask("SLOW?")
    assert link.ask("FAST?") == "2"
    assert in_step(link)


def test_an_answer_that_waits_before_anything_was_asked_is_refused() -> None:
    device = Device({"OUTPut 1": b"stray\n", "FAST?": b"2\n"})
    with served(device) as server:
        link = open_link(pyvisa.ResourceManager("@py"), server.address, manners=WireSettings(timeout=1.0))
        link.write("OUTPut 1")
        while not link._connection.wire.is_something_waiting():
            pass
        with pytest.raises(BadAnswer, match=r"`stray.x0a` had arrived before `FAST\?` was sent"):
            link.ask("FAST?")
        assert link.ask("FAST?") == "2"
        link.close()


def test_a_query_broken_off_half_way_does_not_leave_its_answer_to_the_next(
    connect: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> bytes:
        raise KeyboardInterrupt

    link = connect(Device({"FAST?": b"2\n", "LONG?": b"1\n"}))
    with monkeypatch.context() as patch:  # Ctrl-C between query and answer
        patch.setattr(link._connection.wire, "read_line", stop)
        with pytest.raises(KeyboardInterrupt):
            link.ask("LONG?")
    assert link.ask("FAST?") == "2"


def test_a_harmless_query_is_asked_again(connect: Connect) -> None:
    link = connect(Device({"VOLTage?": [b"garb\x00ed\n", b"5.0\n"]}))
    assert link.ask_number("VOLTage?") == 5.0


def test_a_query_that_changes_something_is_not_asked_again(connect: Connect) -> None:
    device = Device({"FETCh?": [b"\n", b"5.0\n"]})
    link = connect(device)
    with pytest.raises(BadAnswer):
        link.ask("FETCh?")
    assert device.sent.count("FETCh?") == 1


def test_silence_is_explained_by_the_error_queue(connect: Connect) -> None:
    # -420 means that nothing was asked that has an answer (SCPI-99 volume 1, 21.8; from memory, not verified)
    device = Device({"VOLTaeg?": None})
    link = connect(device)
    device.answers["SYSTem:ERRor?"] = [b'-113,"Undefined header;VOLTaeg?"\n', b'-420,"Query UNTERMINATED"\n', b"0\n"]
    with pytest.raises(NoAnswer, match='-113,"Undefined header;VOLTaeg') as caught:
        link.ask("VOLTaeg?")
    assert "-420" in str(caught.value)
    assert "nothing had been queried, or the query was not understood" in str(caught.value)
    assert in_step(link)


def test_the_error_queue_is_read_to_its_end_and_every_entry_is_told(connect: Connect) -> None:
    entries: list[Any] = [b'-222,"Data out of range"\n', b'+210,"coil; hot, very"\n', b'+0,"No error"\n']
    link = connect(Device({"SYSTem:ERRor?": entries}))
    with pytest.raises(Complaint, match="setting the range: the instrument says") as caught:
        link.status.check_errors("setting the range")
    assert '-222,"Data out of range"' in str(caught.value)
    assert '210,"coil; hot, very"' in str(caught.value)
    assert not entries


def test_a_queue_that_never_empties_is_given_up() -> None:
    device = Device({"SYSTem:ERRor?": b'-222,"Data out of range"\n'})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED)
    assert len(link.status.errors()) == 100


def test_a_queue_that_overflowed_is_read_once() -> None:
    device = Device({"SYSTem:ERRor?": b'-350,"Queue overflow"\n'})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED)
    assert [entry.code for entry in link.status.errors()] == [-350]


@pytest.mark.parametrize(
    "answer, value",
    [(b"9.91E37\n", math.nan), (b"9.9000001E+37\n", math.inf), (b"-9.9E37\n", -math.inf)],
    ids=["no value", "overload", "negative overload"],
)
def test_the_special_numbers_are_none(connect: Connect, answer: bytes, value: float) -> None:
    # SCPI-99 volume 1, 7.2.1 (from memory, not verified)
    number = connect(Device({"READ?": answer})).ask_number("READ?")
    assert number == value or (math.isnan(number) and math.isnan(value))


def test_a_peer_that_hangs_up_is_noticed_at_once_and_found_again() -> None:
    device = Device()
    device.hangs_up_after = 2
    with served(device) as server:
        link = open_link(pyvisa.ResourceManager("@py"), server.address, manners=WireSettings(timeout=30.0))
        assert link.ask("*OPT?") == "0"
        with pytest.raises(LinkLost, match=r"closed the connection|connection is gone"):
            link.ask("*OPT?")
        assert in_step(link)
        assert server.connections == 2
        link.close()


def test_nobody_at_a_port_is_noticed_when_the_link_is_opened() -> None:
    with served(Device()) as server:
        address = server.address
    with pytest.raises(LinkLost, match="check"):
        open_link(pyvisa.ResourceManager("@py"), address)


def test_a_connection_that_breaks_while_sending_is_lost_and_can_be_found_again() -> None:
    library = library_of({MARKED: Device()})
    link = open_link(pyvisa.ResourceManager(library), MARKED)
    library.writes_until_broken = 0
    with pytest.raises(LinkLost, match=r"VI_ERROR_CONN_LOST while sending `\*RST`"):
        link.write("*RST")
    library.writes_until_broken = -1
    assert in_step(link)


def test_device_clear_is_used_where_the_wire_has_it() -> None:
    library = library_of({MARKED: Device({"SLOW?": None})})
    link = open_link(pyvisa.ResourceManager(library), MARKED)
    with pytest.raises(NoAnswer):
        link.ask("SLOW?")
    assert (library.clears, library.opened) == (1, 1)


def test_termination_is_on_again_after_a_block_that_failed_on_a_stream() -> None:
    library = library_of({STREAM: Device({"BRING?": b"garbage\n"})})
    link = open_link(pyvisa.ResourceManager(library), STREAM)
    with pytest.raises(BadAnswer):
        link.ask_block("BRING?")
    link.ask("*OPT?")
    assert library.termination_seen[-1]
    assert not all(library.termination_seen)


def test_an_answer_of_two_lines_is_none(connect: Connect, wire_kind: str) -> None:
    link = connect(Device({"READ?": b"1\n2\n"}))
    if wire_kind != "stream":  # VISA cannot tell of a stream whether more has come
        with pytest.raises(BadAnswer, match=r"bytes that are not text|follows the answer"):
            link.ask("READ?")
        assert in_step(link)


def test_a_block_longer_than_it_says_is_noticed_even_where_a_sample_is_the_terminator(
    connect: Connect, wire_kind: str
) -> None:
    link = connect(Device({"BRING?": b"#12ab\ncde\n"}))
    if wire_kind != "stream":
        with pytest.raises(BadAnswer, match=r"more bytes|follows the answer"):
            link.ask_block("BRING?")
        assert in_step(link)


def test_a_message_that_the_instrument_cannot_take_is_not_sent() -> None:
    device = Device()
    manners = WireSettings(longest_message=20)
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, manners=manners)
    with pytest.raises(Misuse, match="at most 20"):
        link.write("SENSe:SWEep:POINts 1000")
    assert device.sent == ["*IDN?"]


def test_an_instrument_that_wants_a_pause_gets_one() -> None:
    pauses: list[float] = []
    manners = WireSettings(pause=0.25)
    link = open_link(
        pyvisa.ResourceManager(library_of({MARKED: Device()})), MARKED, manners=manners, pause=pauses.append
    )
    link.write("*RST")
    assert pauses == [0.25, 0.25]


def test_a_closed_link_opens_no_new_connection_by_itself() -> None:
    library = library_of({MARKED: Device()})
    link = open_link(pyvisa.ResourceManager(library), MARKED)
    link.close()
    for _ in range(3):
        with pytest.raises(LinkLost, match="closed"):
            link.write("OUTPut:STATe 1")
    assert library.opened == 1


def test_an_indefinite_block_is_read_to_its_end_mark(connect: Connect, wire_kind: str) -> None:
    link = connect(Device({"BRING?": b"#01.5,2.5\n"}))
    if wire_kind in ("marked", "unclearable"):
        assert link.ask_block("BRING?").tobytes() == b"1.5,2.5"
    else:
        with pytest.raises(BadAnswer, match="does not mark the end"):
            link.ask_block("BRING?")
        assert link.ask_block("BRING?", silence=0.05).tobytes() == b"1.5,2.5"
    assert in_step(link)


def test_an_expression_with_a_block_in_it_is_read_to_its_last_parenthesis(connect: Connect) -> None:
    expression = b'(DIF (NAME "a)\n(") DATA (VALues #14)\n("))'
    link = connect(Device({"DATA?": expression + b"\n"}))
    assert link.ask_expression("DATA?") == expression
    assert in_step(link)


def test_nothing_read_again_and_again_is_no_identity(monkeypatch: pytest.MonkeyPatch) -> None:
    # PyVISA-py 0.8.1 over HiSLIP: where nothing is to come, a read gives "" at once and knows no time-out
    link = open_link(pyvisa.ResourceManager(library_of({STREAM: Device()})), STREAM, name="plain")
    reads = 0

    def nothing(deadline: object) -> bytes:
        nonlocal reads
        reads += 1
        assert reads < 100, "it reads for ever"
        return b""

    monkeypatch.setattr(type(link._connection.wire), "read_line", lambda self, deadline: nothing(deadline))
    with pytest.raises(LinkLost, match="its identity did not come"):
        link.clear()
