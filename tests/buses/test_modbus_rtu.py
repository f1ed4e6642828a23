from __future__ import annotations

import crccheck
import minimalmodbus
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from tests.encoders.sent import bits_of_text
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.checksums import CRCS, crc_of
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.simulation.encoders.modbus import message, modbus_line
from wavewright.simulation.encoders.uart import uart_line

BAUD = 19200.0
V103 = "application protocol V1.1b3, worked example (from memory); address and CRC: crccheck, minimalmodbus, pymodbus"
FRAMES = [  # message with CRC, function name, LRC of Modbus ASCII
    ("11 03 00 6B 00 03 76 87", "read holding registers"),
    ("11 03 06 02 2B 00 00 00 64 C8 BA", "read holding registers"),
    ("01 01 00 13 00 13 8C 02", "read coils"),
    ("01 01 03 CD 6B 05 42 82", "read coils"),
    ("01 02 00 C4 00 16 B8 39", "read discrete inputs"),
    ("01 02 03 AC DB 35 22 88", "read discrete inputs"),
    ("01 04 00 08 00 01 B0 08", "read input registers"),
    ("01 04 02 00 0A 39 37", "read input registers"),
    ("01 05 00 AC FF 00 4C 1B", "write single coil"),
    ("01 06 00 01 00 03 98 0B", "write single register"),
    ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "write multiple registers"),
    ("01 10 00 01 00 02 10 08", "write multiple registers"),
    ("01 0F 00 13 00 0A 02 CD 01 72 CB", "write multiple coils"),
    ("01 0F 00 13 00 0A 24 09", "write multiple coils"),
    ("01 08 00 00 A5 37 DA 8D", "diagnostics"),
    ("01 01 04 A1 00 01 AD 18", "read coils"),
    ("01 81 02 C1 91", "read coils"),
    ("01 16 00 04 00 F2 00 25 67 EE", "mask write register"),
    ("11 03 00 00 00 02 C6 9B", "read holding registers"),
    ("11 03 04 00 F0 01 2C EB 8C", "read holding registers"),
]
REQUEST, ANSWER = bytes.fromhex("11 03 00 00 00 02 C6 9B"), bytes.fromhex("11 03 04 00 F0 01 2C EB 8C")


def messages(*sent: bytes, silence: float = 4.0, **options: float) -> Frames:
    line = modbus_line(sent, silence=silence, lead=2e-3, tail=3e-3, **options)
    baud = options.get("baud", BAUD)
    return decode({"tx": draw(line, rate=20 * baud)}, "uart", baud=baud, parity="even", then="modbus_rtu")


@pytest.mark.parametrize("text, name", FRAMES, ids=[row[0][:11] for row in FRAMES])
def test_a_published_message_is_read_and_its_crc_is_that_of_three_libraries(text: str, name: str) -> None:
    raw = bytes.fromhex(text)
    (frame,) = messages(raw)
    assert frame.errors == ()
    assert (frame.kind, frame["address"], frame["function"], frame["function_name"]) == (
        "message",
        raw[0],
        raw[1],
        name,
    )
    assert frame["data"] == raw[2:-2]
    assert frame["crc"].to_bytes(2, "little") == raw[-2:]
    body = raw[:-2]
    assert crccheck.crc.CrcModbus.calc(body) == frame["crc"], V103
    assert minimalmodbus._calculate_crc(body) == raw[-2:]
    assert FramerRTU.compute_CRC(body).to_bytes(2, "big") == raw[-2:]
    assert message(raw[0], raw[1], raw[2:-2]) == raw


def test_the_crc_of_the_worked_example_goes_low_byte_first() -> None:
    # Modbus over serial line V1.02, appendix (from memory); crccheck, minimalmodbus, pymodbus
    assert crc_of(b"123456789", CRCS["modbus"]) == 0x4B37
    assert crc_of(b"\x02\x07", CRCS["modbus"]) == 0x1241 == crccheck.crc.CrcModbus.calc(b"\x02\x07")
    assert message(2, 7) == bytes.fromhex("02 07 41 12")


@given(st.binary(min_size=2, max_size=254))
def test_the_crc_over_a_whole_message_is_zero(body: bytes) -> None:
    whole = message(body[0], body[1], body[2:])
    assert crc_of(whole, CRCS["modbus"]) == 0
    assert whole[-2:] == crccheck.crc.CrcModbus.calc(body).to_bytes(2, "little")


def test_a_character_always_has_eleven_bits() -> None:
    # V1.02, 2.5.1 (from memory): even parity, or two stop bits without
    for parity in ("even", "odd", "none"):
        line = modbus_line([REQUEST], parity=parity, silence=0.0)
        assert line.end - line.start == pytest.approx(8 * 11 / BAUD)


def test_an_exception_names_its_code() -> None:
    # V1.1b3, 7 (from memory)
    names = ["illegal function", "illegal data address", "illegal data value", "device failure"]
    frames = messages(*(message(1, 0x81, bytes([code])) for code in (1, 2, 3, 4)))
    assert [frame["exception"] for frame in frames] == names
    assert "exception" not in messages(REQUEST)[0].fields


SILENCE = [  # closed form, 11 bits; 1.5 and 3.5 characters, fixed above 19200 Bd
    (1200, 9166.667, 13750.0, 32083.33),
    (2400, 4583.333, 6875.0, 16041.67),
    (4800, 2291.667, 3437.5, 8020.83),
    (9600, 1145.833, 1718.75, 4010.42),
    (19200, 572.917, 859.38, 2005.21),
    (38400, 286.458, 750.0, 1750.0),
    (115200, 95.486, 750.0, 1750.0),
]


@pytest.mark.parametrize("baud, character, inside, between", SILENCE, ids=[f"{row[0]}" for row in SILENCE])
def test_silence_parts_messages_and_pauses_inside_are_told(
    baud: int, character: float, inside: float, between: float
) -> None:
    assert 11e6 / baud == pytest.approx(character, abs=0.01)

    def cut(pause: float) -> list[tuple[str, ...]]:
        bits = pause * 1e-6 * baud
        line = uart_line(
            REQUEST, baud=baud, parity="even", pauses=[0, 0, 0, bits, 0, 0, 0, 0], lead=1.2e-2, tail=1.2e-2
        )
        tx = draw(line, rate=20 * baud)
        return [frame.errors for frame in decode({"tx": tx}, "uart", baud=baud, parity="even", then="modbus_rtu")]

    slack = 0.08 * character
    assert cut(inside - slack) == [()]
    assert cut(inside + slack) == [("gap",)]
    assert cut(between - slack) == [("gap",)]
    assert len(cut(between + slack)) == 2


def test_the_request_on_the_wire_bit_by_bit() -> None:
    # bitstring 5.0.0 and the CRC of four libraries; 88 bits, 4.583333 ms at 19200 Bd
    text = "01000100001 01100000001 00000000001 00000000001 00000000001 00100000011 00110001101 01101100111"
    line = modbus_line([REQUEST], silence=0.0)
    written = line_of_bits([1, *bits_of_text(text), 1], bit_time=1 / BAUD, start=-1 / BAUD)
    assert len(bits_of_text(text)) == 88
    assert line.times == pytest.approx(written.times, abs=1e-12)
    assert line.end == pytest.approx(4.583333e-3, abs=1e-8)
    assert modbus_line([ANSWER], silence=0.0).end == pytest.approx(5.15625e-3, abs=1e-8)


@pytest.mark.parametrize("pause, errors", [(1.6, ("gap",)), (1.4, ())], ids=["1.6", "1.4"])
def test_a_pause_inside_a_message(pause: float, errors: tuple[str, ...]) -> None:
    # V1.02, 2.5.1.1
    pauses = [0, 0, 0, 11 * pause, 0, 0, 0, 0]
    line = uart_line(REQUEST, baud=BAUD, parity="even", pauses=pauses, lead=2e-3, tail=2e-3)
    (frame,) = decode({"tx": draw(line, rate=4e5)}, "uart", baud=BAUD, parity="even", then="modbus_rtu")
    assert frame.errors == errors


def test_a_flipped_bit_is_a_crc_error_and_the_data_are_shown() -> None:
    wrong = bytearray(REQUEST)
    wrong[4] ^= 1
    (frame,) = messages(bytes(wrong))
    assert frame.errors == ("crc",)
    assert frame["data"] == bytes(wrong[2:6])


def test_three_and_a_half_characters_part_a_request_from_its_answer() -> None:
    assert [frame.errors for frame in messages(REQUEST, ANSWER, silence=3.6)] == [(), ()]
    (joined,) = messages(REQUEST, ANSWER, silence=3.4)
    assert set(joined.errors) == {"gap", "crc"}


def test_too_short_and_too_long_messages_are_told() -> None:
    # V1.02, 2.2 (from memory): 4 … 256 bytes
    assert messages(b"\x11\x03\x00")[0].errors == ("short",)
    assert messages(message(1, 3, bytes(252)))[0].errors == ()
    assert messages(message(1, 3, bytes(253)))[0].errors == ("long",)


def test_a_wrong_parity_bit_is_wrong_with_its_message() -> None:
    line = modbus_line([REQUEST], silence=0.0, lead=2e-3, tail=2e-3)
    bit = 1 / BAUD
    flipped = sorted([*line.times.tolist(), 9 * bit, 10 * bit])  # the parity bit of the first character
    broken = type(line)(True, np.array(_without_pairs(flipped)), line.start, line.end)
    (frame,) = decode({"tx": draw(broken, rate=4e5)}, "uart", baud=BAUD, parity="even", then="modbus_rtu")
    assert frame.errors == ("parity",)
    assert frame["data"] == REQUEST[2:-2]


def _without_pairs(times: list[float]) -> list[float]:
    """Edges at the same instant cancel."""
    kept: list[float] = []
    for time in times:
        if kept and abs(kept[-1] - time) < 1e-9:
            kept.pop()
        else:
            kept.append(time)
    return kept


@given(
    bodies=st.lists(st.binary(min_size=2, max_size=20), min_size=1, max_size=6),
    error=st.floats(-0.015, 0.015),
    seed=st.integers(0, 100),
)
def test_messages_of_another_library_come_back_through_a_poor_line(
    bodies: list[bytes], error: float, seed: int
) -> None:
    # given messages whose CRC is pymodbus's, at a rate that is off, with jitter, slow edges and noise
    sent = [body + FramerRTU.compute_CRC(body).to_bytes(2, "big") for body in bodies]
    generator = np.random.default_rng(seed)
    line = jittered(off_rate(modbus_line(sent, lead=3e-3, tail=3e-3), error), 1e-6, generator)
    tx = draw(line, rate=4e5, rise_time=8e-6, noise=0.1, generator=generator)
    frames = decode({"tx": tx}, "uart", baud=BAUD, parity="even", then="modbus_rtu")
    raw = [bytes([f["address"], f["function"]]) + f["data"] + f["crc"].to_bytes(2, "little") for f in frames]
    assert raw == sent
    assert not frames.has_errors.any()


def test_one_wrong_message_in_forty_is_found() -> None:
    sent = [ANSWER] * 40
    sent[23] = ANSWER[:5] + b"\xf1" + ANSWER[6:]
    frames = messages(*sent)
    assert np.flatnonzero(frames.has_errors).tolist() == [23]


@pytest.mark.parametrize("baud", [1200, 4800, 9600, 19200, 38400, 57600, 115200], ids=lambda baud: f"{baud}")
def test_messages_are_parted_by_the_silence_of_the_standard(baud: int) -> None:
    # V1.02, 2.5.1.1, in quotation: 3.5 characters between, 1.5 inside, above 19200 Bd 1.75 ms and 0.75 ms
    between = 3.5 * 11 / baud if baud <= 19200 else 1.75e-3
    inside = 1.5 * 11 / baud if baud <= 19200 else 0.75e-3
    # minimalmodbus 2.1.1 waits that long between two messages, above 19200 Bd never less than 1.75 ms
    assert minimalmodbus._calculate_minimum_silent_period(baud) == pytest.approx(between)
    slack = 0.08 * 11 / baud
    for pause, count, errors in (
        (inside - slack, 1, ()), (inside + slack, 1, ("gap",)),
        (between - slack, 1, ("gap",)), (between + slack, 2, None),
    ):  # fmt: skip
        line = uart_line(
            REQUEST, baud=baud, parity="even", pauses=[0, 0, 0, pause * baud, 0, 0, 0, 0], lead=1.2e-2, tail=1.2e-2
        )
        tx = {"tx": draw(line, rate=20 * baud)}
        frames = decode(tx, "uart", baud=baud, parity="even", then="modbus_rtu")
        assert len(frames) == count, (pause, baud)
        assert errors is None or frames[0].errors == errors
