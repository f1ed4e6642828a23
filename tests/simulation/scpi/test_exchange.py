"""Message exchange: paths, errors, queues, status, waiting. IEEE 488.2-1992 and SCPI-99; clauses from memory."""

from __future__ import annotations

import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import connect, errors_of, opened
from wavewright.simulation.scpi.exchange import Exchange

DIGITIZER = "TCPIP0::digitizer.example::inst0::INSTR"


@pytest.fixture
def exchange() -> Exchange:
    return Exchange(opened().instruments[DIGITIZER])


def ask(exchange: Exchange, message: str) -> str:
    exchange.receive(message.encode("latin-1") + b"\n")
    assert exchange.settle(0.0), f"nothing came to `{message}`"
    content, at_end = exchange.answer(1 << 20)
    assert at_end
    return content.decode("ascii").removesuffix("\n")


def errors(exchange: Exchange) -> list[int]:
    return [int(code) for code in ask(exchange, "SYST:ERR:CODE:ALL?").split(",") if int(code)]


PATHS = [
    # sent, errors, what is asked then, answer; source: 488.2 annex A, SCPI-99 volume 1, 6.2.4 (from memory)
    ("SENS:VOLT:RANG:PTP 8;OFFS 2", [], "SENS:VOLT:RANG:OFFS?", "2.0E+00"),
    ("INP:COUP AC;*OPC;IMP 50", [], "INP:IMP?", "5.0E+01"),
    ("INP:COUP DC;:TRIG:LEV 1", [], "TRIG:LEV?", "1.0E+00"),
    ("INP:COUP DC;TRIG:LEV 3", [-113], "TRIG:LEV?", "0.0E+00"),
    ("SENS2:VOLT:RANG:PTP 8;OFFS 3", [-113], "SENS:VOLT:RANG:OFFS?", "0.0E+00"),
    ("INP2:COUP AC", [], "INP2:COUP?;IMP?", "AC;1.0E+06"),
]


@pytest.mark.parametrize("sent, expected, then, answer", PATHS, ids=[row[0] for row in PATHS])
def test_the_path_rule(exchange: Exchange, sent: str, expected: list[int], then: str, answer: str) -> None:
    if sent.startswith("SENS2"):  # the number belongs to the path: this one is legal
        exchange.receive(f"{sent}\n".encode())
        assert errors(exchange) == []
        assert ask(exchange, "SENS2:VOLT:RANG:OFFS?") == "3.0E+00"
        return
    exchange.receive(f"{sent}\n".encode())
    assert errors(exchange) == expected
    assert ask(exchange, then) == answer


CODES = [
    ("INP:COUPDC", -113, "one long mnemonic, and no such header"),
    ("INP9:COUP DC", -114, "no such input"),
    ("FREQUENCIES:BAND 1", -113, "no such header"),
    ("INP:COUP XY", -141, "no such word"),
    ("INP:COUP", -109, "no parameter"),
    ("INP:COUP DC,AC", -108, "one too many"),
    ("INP:COUP? 5", -108, "a query that takes nothing but MIN, MAX, DEF"),
    ("TRIG:LEV 5 S", -131, "seconds where volts are due"),
    ("TRIG:LEV 1E6", -222, "above the limit"),
    ("TRIG:SOUR INT9", -224, "no such input to trigger on"),
    ('SENS:FUNC "XTIM:CURR 1"', -224, "no such function"),
    ("SENS:FUNC XTIM", -104, "a word where a string is required"),
    ('SENS:FUNC "XTIM:VOLT 1","XTIM:VOLT 2"', -221, "two functions with CONCurrent OFF"),
    ("INIT?", -113, "an event has no query"),
    ("*TRG", -211, "nothing waits for a trigger"),
    ('SENS:DATA? "XTIM:VOLT 1"', -230, "no record was taken"),
    ("*RCL 7", -222, "nothing was saved there"),
    ("*ESE 256", -222, "eight bits"),
    ("*XYZ", -113, "no such common command"),
    ("FORM INT,24", -224, "no such length"),
]


@pytest.mark.parametrize("message, code, why", CODES, ids=[row[0] for row in CODES])
def test_each_complaint_has_its_code(exchange: Exchange, message: str, code: int, why: str) -> None:
    exchange.receive(f"{message}\n".encode())
    assert errors(exchange) == [code], why


def test_arming_twice_is_ignored_with_a_complaint(exchange: Exchange) -> None:
    exchange.receive(b"TRIG:SOUR BUS;:INIT\n")
    exchange.receive(b"INIT\n")
    assert errors(exchange) == [-213]


def test_data_that_only_a_bus_trigger_could_bring_is_a_deadlock(exchange: Exchange) -> None:
    exchange.receive(b"TRIG:SOUR BUS;:INIT\n")
    exchange.receive(b'SENS:DATA? "XTIM:VOLT 1"\n')
    assert not exchange.settle(1.0)
    assert errors(exchange)[0] == -214


CLASSES = [("NOWHERE", 32), ("TRIG:LEV 1E6", 16), ("*IDN?;*IDN?", 4)]


@pytest.mark.parametrize("message, bit", CLASSES, ids=[row[0] for row in CLASSES])
def test_an_error_sets_the_bit_of_its_class(exchange: Exchange, message: str, bit: int) -> None:
    # 11.5.1: command error 32, execution error 16, query error 4
    exchange.receive(b"*CLS\n")
    exchange.receive(f"{message}\n".encode())
    exchange.clear()
    assert ask(exchange, "*ESR?") == str(bit)
    assert ask(exchange, "*ESR?") == "0", "reading clears it"


def test_power_on_is_told_once(exchange: Exchange) -> None:
    assert ask(exchange, "*ESR?") == "128"


def test_a_full_queue_ends_in_queue_overflow(exchange: Exchange) -> None:
    for _ in range(30):
        exchange.receive(b"NOWHERE\n")
    assert errors(exchange) == [-113] * 19 + [-350]


def test_an_entry_names_code_text_and_detail(exchange: Exchange) -> None:
    exchange.receive(b"TRIG:LEV 1E6\n")
    assert ask(exchange, "SYST:ERR?").startswith('-222,"Data out of range;')
    assert ask(exchange, "SYST:ERR?") == '0,"No error"'


def test_rest_of_a_message_is_dropped_after_a_command_error_and_done_behind_an_execution_error(
    exchange: Exchange,
) -> None:
    exchange.receive(b"NOWHERE;:TRIG:LEV 1\n")
    exchange.receive(b"TRIG:LEV 1E6;:TRIG:SLOP NEG\n")
    assert ask(exchange, "TRIG:LEV?;SLOP?") == "0.0E+00;NEG"


def test_answers_of_one_message_come_as_one(exchange: Exchange) -> None:
    assert ask(exchange, "TRIG:LEV?;SLOP?;*OPC?") == "0.0E+00;POS;1"


def test_a_new_message_interrupts_an_answer_that_was_not_read(exchange: Exchange) -> None:
    exchange.receive(b"*IDN?\n")
    assert ask(exchange, "TRIG:SLOP?") == "POS"
    assert errors(exchange) == [-410]


def test_on_a_stream_the_old_answer_comes_first() -> None:
    exchange = Exchange(opened().instruments[DIGITIZER], is_stream=True)
    exchange.receive(b"*OPC?\n", end=False)
    assert ask(exchange, "TRIG:SLOP?") == "1"
    assert exchange.answer(99) == (b"POS\n", True)


def test_reading_without_a_query_is_unterminated(exchange: Exchange) -> None:
    assert not exchange.settle(1.0)
    assert errors(exchange) == [-420]


def test_a_long_row_of_queries_that_nobody_reads_the_answers_of_is_deadlocked(exchange: Exchange) -> None:
    exchange.receive(b"SYST:HELP:HEAD?" + b";HEAD?" * 1000 + b";:TRIG:LEV 1\n")
    assert not exchange.has_answer, "no part of it is answered"
    assert errors(exchange) == [-430]
    assert ask(exchange, "TRIG:LEV?") == "1.0E+00", "what is not a query is done"
    exchange.receive(b"*CLS\n")
    exchange.receive(b"SYST:HELP:HEAD?;HEAD?\n")
    assert exchange.has_answer, "a short one is none"


def test_nothing_may_follow_an_arbitrary_answer(exchange: Exchange) -> None:
    assert ask(exchange, "*IDN?;TRIG:SLOP?").startswith("Wavewright,")
    assert errors(exchange) == [-440]


def test_device_clear_empties_the_queues_and_keeps_the_settings(exchange: Exchange) -> None:
    exchange.receive(b"TRIG:LEV 2;:TRIG:LEV?;NOWHERE")
    exchange.clear()
    assert ask(exchange, "TRIG:LEV?") == "2.0E+00"
    assert errors(exchange) == [-113]


def test_an_answer_is_handed_over_in_the_pieces_that_are_asked_for(exchange: Exchange) -> None:
    exchange.receive(b"*OPC?\n")
    assert [exchange.answer(1), exchange.answer(1)] == [(b"1", False), (b"\n", True)]


def test_opc_waits_for_the_record_and_nothing_else_does(exchange: Exchange) -> None:
    clock = exchange.device.instrument.clock
    exchange.receive(b"SENS:SWE:TINT 1E-4;POIN 10001;:INIT\n")
    before = clock.now
    assert ask(exchange, "*STB?") == "0"
    exchange.receive(b"*OPC?\n")
    assert exchange.is_waiting
    assert exchange.settle(5.0)
    assert clock.now - before == pytest.approx(1.0, abs=0.01), "10001 points of 100 µs last 1 s"


def test_wai_holds_back_what_follows(exchange: Exchange) -> None:
    exchange.receive(b"SENS:SWE:TINT 1E-4;POIN 10001;:INIT;*WAI;:TRIG:LEV 1;LEV?\n")
    assert exchange.is_waiting
    assert exchange.settle(5.0)
    assert exchange.answer(99) == (b"1.0E+00\n", True)


def test_opc_sets_its_bit_when_all_is_done(exchange: Exchange) -> None:
    exchange.receive(b"*CLS;*ESE 1;:SENS:SWE:TINT 1E-4;POIN 10001;:INIT;*OPC\n")
    assert ask(exchange, "*ESR?") == "0"
    exchange.device.instrument.clock.advance(2.0)
    assert ask(exchange, "*STB?") == "32"
    assert ask(exchange, "*ESR?") == "1"


def test_cls_cancels_a_pending_opc(exchange: Exchange) -> None:
    exchange.receive(b"SENS:SWE:TINT 1E-4;POIN 10001;:INIT;*OPC;*CLS\n")
    exchange.device.instrument.clock.advance(2.0)
    assert ask(exchange, "*ESR?") == "0"


def test_rst_leaves_enables_and_errors(exchange: Exchange) -> None:
    exchange.receive(b"*ESE 36;*SRE 32;:TRIG:LEV 1;:TRIG:LEV 1E6;*RST\n")
    assert ask(exchange, "*ESE?;*SRE?;:TRIG:LEV?") == "36;32;0.0E+00"
    assert errors(exchange) == [-222]


def test_bit_6_of_the_service_enable_is_ignored(exchange: Exchange) -> None:
    exchange.receive(b"*SRE 255\n")
    assert ask(exchange, "*SRE?") == "191"


def test_status_byte_tells_queue_answer_and_summary(exchange: Exchange) -> None:
    exchange.receive(b"*ESE 32;:NOWHERE\n")
    exchange.receive(b"TRIG:SLOP?\n")
    # 4 error queue (SCPI-99), 16 message available, 32 event summary
    assert exchange.poll() == 4 + 16 + 32


def test_a_serial_poll_clears_the_request_and_the_summary_stays(exchange: Exchange) -> None:
    exchange.receive(b"*SRE 4;:NOWHERE\n")
    assert exchange.poll() == 4 + 64
    assert exchange.poll() == 4, "RQS is told once"
    assert ask(exchange, "*STB?") == str(4 + 64), "MSS stays as long as the reason does"


def test_operation_register_follows_the_acquisition(exchange: Exchange) -> None:
    # bits: 32 waiting for trigger, 8 sweeping, 16 measuring
    exchange.receive(b"SENS:SWE:TINT 1E-4;POIN 10001;:TRIG:SOUR BUS;:STAT:OPER:NTR 8;PTR 0;ENAB 8;:INIT\n")
    assert ask(exchange, "STAT:OPER:COND?") == "32"
    exchange.receive(b"*TRG\n")
    assert ask(exchange, "STAT:OPER:COND?") == "24"
    exchange.device.instrument.clock.advance(2.0)
    assert ask(exchange, "STAT:OPER:COND?;EVEN?") == "0;8"
    assert ask(exchange, "STAT:OPER?") == "0", "reading clears the event"


def test_status_preset(exchange: Exchange) -> None:
    exchange.receive(b"STAT:OPER:ENAB 5;PTR 6;NTR 7;:STAT:PRES\n")
    assert ask(exchange, "STAT:OPER:ENAB?;PTR?;NTR?") == "0;32767;0"


def test_lrn_restores_the_state_on_another_instrument(exchange: Exchange) -> None:
    exchange.receive(b"INP2:COUP AC;:SENS3:VOLT:RANG:PTP 4;:TRIG:SOUR INT3;LEV 0.5\n")
    learned = ask(exchange, "*LRN?")
    other = Exchange(opened().instruments[DIGITIZER])
    other.receive(f"{learned}\n".encode())
    assert errors(other) == []
    assert ask(other, "*LRN?") == learned


def test_sav_and_rcl(exchange: Exchange) -> None:
    exchange.receive(b"TRIG:LEV 1;*SAV 3;:TRIG:LEV 2;*RCL 3\n")
    assert ask(exchange, "TRIG:LEV?") == "1.0E+00"


def test_limits_can_be_asked_for(exchange: Exchange) -> None:
    assert ask(exchange, "SENS:VOLT:RANG:PTP? MIN;PTP? MAX;PTP? DEF") == "8.0E-02;4.0E+01;8.0E+00"


def test_version_and_headers_and_self_test(exchange: Exchange) -> None:
    assert ask(exchange, "SYST:VERS?;*TST?") == "1999.0;0"
    listed = ask(exchange, "SYST:HELP:HEAD?")
    assert listed[1] in "123456789"
    assert "TRIGger[:SEQuence]:LEVel" in listed


REQUIRED = [
    # IEEE 488.2-1992, 10, mandatory common commands; SCPI-99 volume 1, 4.2.1, required commands (from memory)
    *("*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?"),
    *("SYST:ERR?", "SYST:VERS?", "STAT:OPER?", "STAT:OPER:COND?", "STAT:OPER:ENAB?"),
    *("STAT:QUES?", "STAT:QUES:COND?", "STAT:QUES:ENAB?"),
]


@pytest.mark.parametrize("name", ["digitizer", "supply", "source", "meter", "prompts"])
def test_every_instrument_has_what_the_standards_require(name: str) -> None:
    resource: MessageBasedResource = connect(opened(), name)
    for message in REQUIRED:
        assert resource.query(message)
    for message in ("*CLS", "*RST", "*WAI", "*OPC", "*ESE 0", "*SRE 0", "STAT:PRES"):
        resource.write(message)
    assert errors_of(resource) == []
    assert len(resource.query("*IDN?").split(",")) == 4
    assert len(resource.query("*IDN?")) <= 72
