from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bitstring import BitArray
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.wires import HIGH, bits_of, uart_of, wave
from tests.encoders.impairments import cropped, spiked
from wavewright.buses.decode import decode
from wavewright.errors import Misuse
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.simulation.encoders.uart import character_bits, uart_line
from wavewright.waveform import Waveform

BITSTRING = "bitstring 5.0.0; start-stop and parity after ISO 1177 / ITU-T V.4 (from memory, not verified)"
CHARACTERS: list[tuple[int, dict[str, Any], str]] = [
    (0x48, {}, "0 00010010 1"),
    (0x48, {"parity": "even"}, "0 00010010 0 1"),
    (0x48, {"parity": "odd"}, "0 00010010 1 1"),
    (0x48, {"parity": "mark"}, "0 00010010 1 1"),
    (0x48, {"parity": "space"}, "0 00010010 0 1"),
    (0x48, {"data_bits": 7, "parity": "even"}, "0 0001001 0 1"),
    (0x48, {"data_bits": 7, "parity": "odd"}, "0 0001001 1 1"),
    (0x48, {"stop_bits": 2}, "0 00010010 11"),
    (0x15, {"data_bits": 5}, "0 10101 1"),
    (0x0A, {"data_bits": 5}, "0 01010 1"),
    (0x2A, {"data_bits": 6, "parity": "even"}, "0 010101 1 1"),
    (0x41, {"data_bits": 7, "parity": "even"}, "0 1000001 0 1"),
    (0x148, {"data_bits": 9}, "0 000100101 1"),
    (0x1A5, {"data_bits": 9}, "0 101001011 1"),
]
IDS = [f"{row[0]:X}-{'-'.join(map(str, row[1].values()))}" for row in CHARACTERS]


@pytest.mark.parametrize("value, options, line", CHARACTERS, ids=IDS)
def test_a_character_is_read_as_it_was_sent(value: int, options: dict[str, object], line: str) -> None:
    frames = uart_of(line, **options)
    assert [(frame.kind, dict(frame.fields), frame.errors) for frame in frames] == [("character", {"data": value}, ())]
    assert character_bits(value, **options) == bits_of(line), BITSTRING


def test_the_start_bit_and_data_of_the_table_are_those_of_bitstring() -> None:
    for value, options, line in CHARACTERS:
        count = options.get("data_bits", 8)
        data = BitArray(uint=value, length=count)
        data.reverse()
        assert line.split()[1] == data.bin, BITSTRING


@pytest.mark.parametrize(
    "text, line",
    [
        ("Hi", "0000100101 0100101101"),
        ("OK\r\n", "0111100101 0110100101 0101100001 0010100001"),
        ("U", "0101010101"),
    ],
    ids=["Hi", "OK", "one character"],
)
def test_characters_back_to_back(text: str, line: str) -> None:
    frames = uart_of(line)  # bitstring 5.0.0; ISO 646 for the codes
    assert bytes(frame["data"] for frame in frames) == text.encode()
    assert not frames.has_errors.any()


PARITY = [  # byte, even, odd; bitstring 5.0.0 and bin().count agree
    (0x00, 0, 1), (0x01, 1, 0), (0x11, 0, 1), (0x48, 0, 1), (0x55, 0, 1),
    (0x7F, 1, 0), (0x80, 1, 0), (0xA5, 0, 1), (0xFE, 1, 0), (0xFF, 0, 1),
]  # fmt: skip


@pytest.mark.parametrize("byte, even, odd", PARITY, ids=[f"{row[0]:02X}" for row in PARITY])
def test_parity_bits_make_the_count_of_ones_even_or_odd(byte: int, even: int, odd: int) -> None:
    data = f"{byte:08b}"[::-1]
    for word, bit in (("even", even), ("odd", odd)):
        assert uart_of(f"0{data}{bit}1", parity=word)[0].errors == ()
        assert uart_of(f"0{data}{1 - bit}1", parity=word)[0].errors == ("parity",)


TIMING = [  # baud, options, bit s, bits, character s; closed form, bits / baud
    (9600, {}, 104.1667e-6, 10, 1.041667e-3),
    (19200, {"parity": "even"}, 52.0833e-6, 11, 0.572917e-3),
    (115200, {}, 8.6806e-6, 10, 86.806e-6),
    (300, {"data_bits": 7, "parity": "even", "stop_bits": 2}, 3333.333e-6, 11, 36.6667e-3),
]


@pytest.mark.parametrize("baud, options, bit, bits, character", TIMING, ids=[f"{row[0]}" for row in TIMING])
def test_a_character_lasts_its_bits(
    baud: int, options: dict[str, object], bit: float, bits: int, character: float
) -> None:
    line = uart_line([0x55], baud=baud, lead=20 * bit, tail=20 * bit, **options)
    frames = decode({"tx": draw(line, rate=baud * 20)}, "uart", baud=baud, **options)
    assert frames[0].end - frames[0].start == pytest.approx(character, rel=1e-5)
    assert frames.facts["bits"] == bits
    assert line.falling[1] - line.falling[0] == pytest.approx(2 * bit, rel=1e-5)


def test_edges_of_h_lie_where_the_bit_time_puts_them() -> None:
    # closed form, multiples of 1 / 9600 s
    line = uart_line(b"H", baud=9600, lead=1e-3, tail=1e-3)
    assert (1e6 * line.times).tolist() == pytest.approx([0, 416.67, 520.83, 729.17, 833.33, 937.50], abs=0.005)


def test_bit_times_are_not_rounded_to_whole_samples() -> None:
    # closed form; 104.1667 samples per bit, 200 characters: rounding each bit would lose 37 samples
    line = uart_line(b"H", baud=19200, parity="even")
    assert (2e6 * line.times).tolist() == pytest.approx([0, 416.67, 520.83, 729.17, 833.33, 1041.67], abs=0.005)
    whole = uart_line(b"H" * 200, baud=19200, parity="even", lead=1e-3, tail=1e-3)
    frames = decode({"tx": draw(whole, rate=2e6)}, "uart", baud=19200, parity="even")
    assert bytes(frame["data"] for frame in frames) == b"H" * 200
    assert frames.ends[-1] == pytest.approx(200 * 11 / 19200, abs=1e-6)


def test_a_wrong_parity_bit_keeps_the_value() -> None:
    frame = uart_of("0 00010010 1 1", parity="even")[0]
    assert (frame["data"], frame.errors) == (0x48, ("parity",))


def test_a_low_stop_bit_is_a_framing_error() -> None:
    frame = uart_of("0 00010010 0")[0]
    assert (frame["data"], frame.errors) == (0x48, ("framing",))


@pytest.mark.parametrize("options, bits", [({}, 10), ({"parity": "even"}, 11)], ids=["8N1", "8E1"])
def test_a_line_low_for_longer_than_a_character_is_a_break(options: dict[str, object], bits: int) -> None:
    # common practice, no source
    parity = "0" if options else ""
    frames = uart_of("0" * (bits + 3) + "111" + f"0 00010010 {parity} 1", **options)
    assert [frame.kind for frame in frames] == ["break", "character"]
    assert frames[0].errors == ("break",)
    assert "data" not in frames[0].fields
    assert frames[0].end - frames[0].start == pytest.approx(bits + 3, abs=0.2)
    assert (frames[1]["data"], frames[1].errors) == (0x48, ())
    exactly = uart_of("0" * bits + "111", **options)[0]
    assert (exactly.kind, exactly.errors[0]) == ("character", "framing")


def test_a_pulse_shorter_than_half_a_bit_is_no_start() -> None:
    # common practice, no source
    idle = wave("111111", lead=20).values()
    idle[200:204] = 0.0
    assert decode({"tx": Waveform.from_volts(idle, interval=0.1)}, "uart", baud=1.0, levels="lvcmos33") == []
    idle[200:206] = 0.0
    assert len(decode({"tx": Waveform.from_volts(idle, interval=0.1)}, "uart", baud=1.0, levels="lvcmos33")) == 1


@given(data=st.binary(min_size=1, max_size=30), gap=st.integers(0, 30))
def test_no_character_of_an_inverted_wire_is_clean(data: bytes, gap: int) -> None:
    # follows from TIA-232-F, V.28 (from memory): idle reads as break
    line = uart_line(data, baud=1.0, lead=15, tail=15, pauses=gap, inverted=True)
    frames = decode({"tx": draw(line, rate=10, low=-12, high=12)}, "uart", baud=1.0, levels="rs232")
    assert not any(frame.is_clean for frame in frames)


@pytest.mark.parametrize(
    "bits, tolerance", [(8, 0.06667), (9, 0.05882), (10, 0.05263), (11, 0.04762), (12, 0.04348)], ids=str
)
def test_the_rates_may_differ_by_half_a_bit_over_the_last_middle(bits: int, tolerance: float) -> None:
    # closed form 0.5 / (n − 0.5); the character of n bits that is worst placed: all low up to the stop bit
    options = {8: (6, "none", 1), 9: (7, "none", 1), 10: (8, "none", 1), 11: (8, "even", 1), 12: (8, "even", 2)}[bits]
    setting = dict(zip(("data_bits", "parity", "stop_bits"), options, strict=True))
    assert tolerance == pytest.approx(0.5 / (bits - 0.5), abs=1e-5)
    tx = draw(uart_line([0, 0], baud=1.0, lead=20, tail=20, **setting), rate=500)
    for share, is_sound in ((0.97, True), (1.03, False)):
        # receiver's bit time over the sender's: the last middle slips into the start bit of the next character
        frame = decode({"tx": tx}, "uart", baud=1 / (1 + share * tolerance), **setting)[0]
        assert ("framing" not in frame.errors) is is_sound
        if setting["stop_bits"] == 1:  # or back into the low bits before the stop bit
            frame = decode({"tx": tx}, "uart", baud=1 / (1 - share * tolerance), **setting)[0]
            assert ("framing" not in frame.errors) is is_sound


# mid-bit receiver, the same character twice back to back, 8N1; a closed simulation of the sampling instants
MISMATCH = {
    0x48: ("88 FE", "C8 FE", "48 FE", "48", "48", "48 FE", "C8 FE", "A8 FE"),
    0x00: ("00 FE", "00 FE", "00 FE", "00", "00", "00 FE", "80 FE", "80 FE"),
    0xFF: ("FF", "FF", "FF", "FF", "FF", "FF FE", "FF FE", "FF FE"),
    0x55: ("B5 FE", "D5 FE", "55 FE", "55", "55", "55 FE", "D5 FE", "B5 FE"),
    0x80: ("00", "00", "80", "80", "80", "80 FE", "80 FE", "C0 FE"),
    0x7F: ("FF FE", "FF FE", "7F FE", "7F", "7F", "7F FE", "FF FE", "BF FE"),
}
ERRORS = (-0.08, -0.06, -0.055, -0.05, 0.05, 0.055, 0.06, 0.08)


@pytest.mark.parametrize("byte", MISMATCH, ids=[f"{byte:02X}" for byte in MISMATCH])
def test_a_wrong_bit_rate_gives_what_a_receiver_sampling_mid_bit_gives(byte: int) -> None:
    for error, expected in zip(ERRORS, MISMATCH[byte], strict=True):
        line = uart_line([byte, byte], baud=1.0, lead=20, tail=20)
        frame = decode({"tx": draw(line, rate=500)}, "uart", baud=1 / (1 + error))[0]
        assert f"{frame['data']:02X}{' FE' if 'framing' in frame.errors else ''}" == expected, error


def test_a_wrong_rate_that_gives_a_wrong_byte_without_framing_error_is_told_by_the_edges() -> None:
    line = uart_line([0x80, 0x80], baud=1.0, lead=20, tail=20)
    frames = decode({"tx": draw(line, rate=500)}, "uart", baud=1 / 0.94)
    assert [(frame["data"], frame.errors) for frame in frames] == [(0x00, ("baud",))] * 2


@pytest.mark.parametrize("error", [-0.03, 0.03])
def test_a_clock_that_is_off_by_three_per_cent_is_read_and_measured(error: float) -> None:
    text = bytes(range(256))
    line = off_rate(uart_line(text, baud=1.0, lead=20, tail=20), error)
    frames = decode({"tx": draw(line, rate=16)}, "uart", baud=1.0)
    assert bytes(frame["data"] for frame in frames) == text
    assert not frames.has_errors.any()
    assert frames.facts["bit_rate"] == pytest.approx(1 + error, abs=0.002)


def test_a_divided_clock_is_too_far_off_for_a_vote_of_three() -> None:
    # closed form: 16 MHz / (16 · 9)
    rate = 16e6 / 16 / 9
    assert rate / 115200 - 1 == pytest.approx(-0.03549, abs=1e-5)
    line = uart_line(b"UUUU", baud=rate, lead=1e-4, tail=1e-4)
    frames = decode({"tx": draw(line, rate=100e6)}, "uart", baud=115200)
    assert frames.facts["bit_rate"] / 115200 - 1 == pytest.approx(-0.03549, abs=2e-4)


SETTINGS = st.fixed_dictionaries(
    {
        "data_bits": st.integers(5, 9),
        "parity": st.sampled_from(["none", "even", "odd", "mark", "space"]),
        "stop_bits": st.sampled_from([1.0, 1.5, 2.0]),
        "bit_order": st.sampled_from(["lsb", "msb"]),
    }
)


@given(
    setting=SETTINGS,
    words=st.lists(st.integers(0, 511), min_size=1, max_size=40),
    samples=st.floats(8, 40),
    error=st.floats(-0.02, 0.02),
    seed=st.integers(0, 1000),
    inverted=st.booleans(),
    pause=st.integers(0, 3),
)
def test_what_is_encoded_and_impaired_is_decoded_again(
    *, setting: dict[str, object], words: list[int], samples: float, error: float, seed: int, inverted: bool, pause: int
) -> None:
    # given characters at a rate that is off, with jitter, slow edges and noise
    words = [word & ((1 << int(str(setting["data_bits"]))) - 1) for word in words]
    generator = np.random.default_rng(seed)
    line = uart_line(words, baud=9600, lead=2e-3, tail=2e-3, pauses=pause, inverted=inverted, **setting)
    line = jittered(off_rate(line, error), 0.02 / 9600, generator)
    tx = draw(line, rate=9600 * samples, rise_time=0.2 / 9600, noise=0.08, generator=generator, phase=seed / 1001)
    # when they are decoded
    frames = decode({"tx": tx}, "uart", baud=9600, inverted=inverted, **setting)
    # then all are there and clean
    assert [frame.fields for frame in frames] == [{"data": word} for word in words]
    assert not frames.has_errors.any(), frames.errors_by_word


@pytest.mark.parametrize("samples", [3, 4, 5, 6, 8, 3.3, 3.7])
def test_three_samples_a_bit_are_enough(samples: float) -> None:
    text = bytes(np.random.default_rng(2).integers(0, 256, 300).tolist())
    for phase in (0.0, 0.3, 0.7):
        tx = draw(uart_line(text, baud=1.0, lead=20, tail=20), rate=samples, phase=phase)
        frames = decode({"tx": tx}, "uart", baud=1.0)
        assert bytes(frame.fields.get("data", 0) for frame in frames if frame.is_clean) == text


@pytest.mark.parametrize("baud", [300, 9600, 19200, 31250, 115200, 921600])
def test_auto_finds_the_bit_rate(baud: int) -> None:
    tx = draw(uart_line(b"valve 3 open\r\n", baud=baud, lead=20 / baud, tail=20 / baud), rate=baud * 16.3)
    frames = decode({"tx": tx}, "uart")
    assert bytes(frame["data"] for frame in frames) == b"valve 3 open\r\n"
    assert frames.facts["bit_rate"] == pytest.approx(baud, rel=0.005)


@given(
    setting=SETTINGS,
    words=st.lists(st.integers(0, 511), min_size=8, max_size=40),
    baud=st.sampled_from([300.0, 1200.0, 9600.0, 31250.0, 115200.0, 1e6]),
    seed=st.integers(0, 1000),
)
def test_auto_finds_the_bit_rate_of_any_setting(
    setting: dict[str, object], words: list[int], baud: float, seed: int
) -> None:
    # given characters that hold single bits: nothing else tells a bit from two
    count = int(str(setting["data_bits"]))
    words = [word & ((1 << count) - 1) for word in words] + [0x55 & ((1 << count) - 1)] * 4
    generator = np.random.default_rng(seed)
    line = uart_line(words, baud=baud, lead=20 / baud, tail=20 / baud, **setting)
    line = jittered(line, 0.02 / baud, generator)
    tx = draw(line, rate=baud * 16, rise_time=0.2 / baud, noise=0.08, generator=generator)
    frames = decode({"tx": tx}, "uart", **setting)
    assert frames.facts["bit_rate"] == pytest.approx(baud, rel=0.01)
    assert [frame.fields for frame in frames] == [{"data": word} for word in words]


@given(first=st.floats(0.0, 60.0), length=st.floats(5.0, 60.0))
def test_a_record_that_begins_and_ends_inside_characters_invents_none(first: float, length: float) -> None:
    # given idle somewhere in a stream, and a record that begins low inside a character or somewhere else
    text = b"\x48\x00\xa5\x31\xff\x12"
    whole = uart_line(text, baud=1.0, lead=0, tail=20, pauses=[0, 0, 0, 12, 0, 0])
    part = cropped(whole, first, first + length)
    starts = {round(start): byte for start, byte in zip([0, 10, 20, 30, 52, 62], text, strict=True)}
    frames = decode({"tx": draw(part, rate=20, bits=None)}, "uart", baud=1.0, levels="lvcmos33")
    for frame in frames:
        if frame.is_clean and not part.first:
            assert starts.get(round(frame.start)) == frame["data"]
    for start, byte in starts.items():  # after the pause everything is certain
        if start >= 52 and start > first + 20 and start + 10 <= first + length:
            assert any(frame.is_clean and abs(frame.start - start) < 0.2 and frame["data"] == byte for frame in frames)


def test_a_character_that_the_record_cuts_off_is_marked_and_has_no_value() -> None:
    frame = decode({"tx": wave("0 0001", tail=0)}, "uart", baud=1.0)[0]
    assert (dict(frame.fields), frame.errors) == ({}, ("cut",))


def test_a_spike_inside_a_character_is_marked() -> None:
    line = uart_line(b"H", baud=1.0, lead=20, tail=20)
    frame = decode({"tx": draw(spiked(line, 2.1, 0.2), rate=50)}, "uart", baud=1.0)[0]
    assert frame["data"] == 0x48
    assert "glitch" in frame.errors


def test_noise_bursts_between_characters_do_not_touch_the_characters() -> None:
    generator = np.random.default_rng(8)
    line = uart_line(b"AB", baud=1.0, lead=20, tail=20, pauses=60)
    volts = draw(line, rate=10, bits=None).values()
    volts[400:500] = generator.uniform(0, HIGH, 100)
    frames = decode({"tx": Waveform.from_volts(volts, interval=0.1)}, "uart", baud=1.0, levels="lvcmos33")
    assert [frame["data"] for frame in frames if frame.is_clean] == list(b"AB")
    assert len(frames) > 2


@pytest.mark.parametrize(
    "options, expected",
    [
        ({"data_bits": 10}, "5 .. 9"),
        ({"stop_bits": 3}, "1, 1.5 or 2"),
        ({"parity": "evn"}, "one of none, even, odd, mark, space"),
        ({"boud": 9600}, "did you mean `baud`"),
        ({"baud": "9600 V"}, "9600 V"),
    ],
)
def test_settings_that_make_no_sense_are_refused(options: dict[str, object], expected: str) -> None:
    with pytest.raises(Misuse, match=expected):
        decode({"tx": wave("0101")}, "uart", **options)


@pytest.mark.parametrize("written", ["1", "1.5", "2", 1, 2.0])
def test_stop_bits_may_be_written_as_in_a_recipe(written: object) -> None:
    line = uart_line([0x48, 0x31], baud=1.0, stop_bits=float(str(written)), lead=20, tail=20)
    frames = decode({"tx": draw(line, rate=10)}, "uart", baud=1.0, stop_bits=written)
    assert [(frame["data"], frame.errors) for frame in frames] == [(0x48, ()), (0x31, ())]
    assert frames.facts["bits"] == 9 + float(str(written))


def test_the_bit_rate_may_be_written_with_its_unit() -> None:
    assert decode({"tx": wave("0 00010010 1")}, "uart", baud="1 Bd", stop_bits=1)[0]["data"] == 0x48
