from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.impairments import cropped, skewed, spiked
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines, read_transfer, write_transfer
from wavewright.simulation.encoders.impairments import jittered
from wavewright.waveform import Waveform

RATE = 100e3


def decoded(scl: Line, sda: Line, *, samples: float = 20, **options: object) -> Frames:
    return decode({"scl": draw(scl, rate=samples * RATE), "sda": draw(sda, rate=samples * RATE)}, "i2c", **options)


def said(*transfers: Transfer, samples: float = 20, hold: float | None = None, **options: object) -> Frames:
    return decoded(*i2c_lines(transfers, lead=2e-5, tail=2e-5, hold=hold), samples=samples, **options)


def by_hand(text: str) -> Frames:
    """One letter a quarter clock, written for this test alone: `S`, `P`, `R` (repeated START), and the bits."""
    scl, sda = [1, 1], [1, 1]
    for sign in text.replace(" ", ""):
        if sign in "S":
            scl += [1, 1, 0]
            sda += [1, 0, 0]
        elif sign == "R":
            scl += [0, 1, 1, 0]
            sda += [1, 1, 0, 0]
        elif sign == "P":
            scl += [0, 1, 1, 1]
            sda += [0, 0, 1, 1]
        else:
            bit = {"A": 0, "N": 1}.get(sign, int(sign) if sign.isdigit() else 0)
            scl += [0, 1, 1, 0]
            sda += [bit, bit, bit, bit]
    waves = {
        name: Waveform.from_volts(3.3 * np.repeat([*row, 1, 1], 6), interval=1e-6)
        for name, row in (("scl", scl), ("sda", sda))
    }
    return decode(waves, "i2c")


def test_start_and_stop_are_changes_of_sda_while_scl_is_high() -> None:
    # UM10204, 3.1.4 (section from memory)
    (frame,) = by_hand("S 10010000 A P")
    assert (frame.kind, frame["stopped"], frame["repeated"], frame.errors) == ("transfer", True, False, ())


def test_a_start_without_a_stop_before_is_a_repeated_one() -> None:
    first, second = by_hand("S 10010000 A R 10010001 A 00011001 N P")
    assert (first["stopped"], second["repeated"], second["stopped"]) == (False, True, True)


def test_bits_are_read_while_scl_is_high_and_the_ninth_acknowledges() -> None:
    (frame,) = by_hand("S 10010000 A 10100011 N P")
    assert frame["data"] == b"\xa3"
    assert frame["acknowledged"] == (True, False)
    assert frame.errors == ("not acknowledged",)


def test_sda_that_falls_with_scl_is_data() -> None:
    # follows from tHD;DAT min 0: a hold time of 0
    for samples in (8, 10, 20, 33.3):
        frames = said(write_transfer(0x48, b"\xaa\x55\x0f"), samples=samples, hold=0.0)
        assert [(frame["data"], frame.errors) for frame in frames] == [(b"\xaa\x55\x0f", ())]


def test_a_register_write() -> None:
    # UM10204, 3.1.10: 90 01 60, 27 clocks
    (frame,) = by_hand("S 10010000 A 00000001 A 01100000 A P")
    assert (frame["address"], frame["read"], frame["data"]) == (0x48, False, b"\x01\x60")
    assert frame["acknowledged"] == (True, True, True)
    scl, _ = i2c_lines([write_transfer(0x48, b"\x01\x60")])
    assert scl.rising.size == 27 + 1  # one more for the STOP


def test_a_register_read() -> None:
    # UM10204, 3.1.10
    select, read = by_hand("S 10010000 A 00000000 A R 10010001 A 00011001 A 10000000 N P")
    assert (select["address"], select["read"], select["data"]) == (0x48, False, b"\x00")
    assert (read["address"], read["read"], read["data"]) == (0x48, True, b"\x19\x80")
    assert read["acknowledged"] == (True, True, False)
    assert read.errors == ()


def test_an_address_that_nobody_answers() -> None:
    # UM10204, 3.1.6
    (frame,) = by_hand("S 10010000 N P")
    assert (frame["address"], frame["data"], frame["acknowledged"]) == (0x48, b"", (False,))
    assert frame.errors == ("not acknowledged",)


TEN_BIT = [(0x000, "F0 00"), (0x12A, "F2 2A"), (0x2A5, "F4 A5"), (0x3FF, "F6 FF")]


@pytest.mark.parametrize("address, sent", TEN_BIT, ids=[f"{row[0]:03X}" for row in TEN_BIT])
def test_a_ten_bit_address_is_spread_over_two_bytes(address: int, sent: str) -> None:
    # UM10204, 3.1.11: 11110 A9 A8 W, then A7 … A0
    (frame,) = said(Transfer(bytes.fromhex(sent) + b"\x07"))
    assert (frame["address"], frame["read"], frame["data"]) == (address, False, b"\x07")
    assert frame["meaning"] == "ten-bit address"


def test_a_ten_bit_read_repeats_only_the_first_byte() -> None:
    # UM10204, 3.1.11 (rule from memory)
    frames = said(Transfer(b"\xf4\xa5", stop=False), Transfer(b"\xf5\x12\x34", [True, True, False]))
    assert [frame["address"] for frame in frames] == [0x2A5, 0x2A5]
    assert (frames[1]["read"], frames[1]["data"], frames[1].errors) == (True, b"\x12\x34", ())


def test_a_ten_bit_read_whose_write_was_not_seen_has_no_address() -> None:
    (frame,) = said(Transfer(b"\xf5\x12", [True, False]))
    assert "address" not in frame.fields
    assert "incomplete" in frame.errors


def test_stretching_is_decoded_and_reported() -> None:
    # UM10204, 3.1.9 (from memory)
    (frame,) = said(Transfer(b"\x90\x22", stretched={8: 1e-3}))
    assert (frame["data"], frame.errors) == (b"\x22", ())
    assert frame["clock_low"] == pytest.approx(1.0055e-3, abs=2e-6)
    (frame,) = said(Transfer(b"\x90\x22", stretched={8: 1e-3}), longest_low=0.5e-3)
    assert frame.errors == ("clock held",)


def test_a_stop_after_four_bits() -> None:
    # common practice, no source
    (frame,) = said(Transfer(b"\x90\x9f", bits=9 + 4))
    assert frame.errors == ("incomplete",)
    assert frame["partial"] == "1001"
    assert frame["data"] == b""


def test_a_spike_of_forty_nanoseconds_is_suppressed_in_fast_mode() -> None:
    # UM10204, table 10: tSP 50 ns; Standard-mode asks for no filter
    scl, sda = i2c_lines([write_transfer(0x48, b"\x5a")], bit_rate=400e3, lead=2e-6, tail=5e-6)
    low = (scl.falling[3] + scl.rising[3]) / 2
    waves = {"scl": draw(spiked(scl, low, 40e-9), rate=200e6), "sda": draw(sda, rate=200e6)}
    for mode in ("fast", "fast_plus"):
        (frame,) = decode(waves, "i2c", mode=mode)
        assert (frame["data"], frame.errors) == (b"\x5a", ())
    (frame,) = decode(waves, "i2c", mode="standard")
    assert "glitch" in frame.errors


RESERVED = [  # UM10204, table 3 (as printed); device id from later revisions, from memory
    (0x00, "general call"), (0x01, "start byte"), (0x02, "cbus"), (0x03, "cbus"), (0x04, "other bus format"),
    (0x05, "other bus format"), (0x06, "future use"), (0x08, "high-speed master code"),
    (0x0F, "high-speed master code"),
    (0xF0, "ten-bit address"), (0xF6, "ten-bit address"), (0xF8, "device id"), (0xF9, "device id"), (0x10, None),
    (0xEF, None),
]  # fmt: skip


@pytest.mark.parametrize("byte, meaning", RESERVED, ids=[f"{row[0]:02X}" for row in RESERVED])
def test_reserved_addresses_are_named(byte: int, meaning: str | None) -> None:
    (frame,) = said(Transfer(bytes([byte, 0x11])))
    assert frame.fields.get("meaning") == meaning


def test_nobody_may_acknowledge_a_start_byte_or_a_master_code() -> None:
    for byte in (0x01, 0x0A):
        assert said(Transfer(bytes([byte]), [True]))[0].errors == ("reserved",)
        assert said(Transfer(bytes([byte]), [False]))[0].errors == ()


TRANSFERS = st.lists(
    st.builds(
        lambda address, read, data, stop: (
            read_transfer(address, data, stop=stop) if read else write_transfer(address, data, stop=stop)
        ),
        st.integers(0x08, 0x77),
        st.booleans(),
        st.binary(min_size=1, max_size=12),
        st.booleans(),
    ),
    min_size=1,
    max_size=8,
)


@given(transfers=TRANSFERS, samples=st.floats(10, 40), hold=st.sampled_from([0.0, None]), seed=st.integers(0, 999))
def test_what_is_encoded_and_impaired_is_decoded_again(
    transfers: list[Transfer], samples: float, hold: float | None, seed: int
) -> None:
    # given lines with skew, jitter, slow edges and noise
    generator = np.random.default_rng(seed)
    transfers[-1] = Transfer(transfers[-1].sent, transfers[-1].acknowledged)
    scl, sda = i2c_lines(transfers, lead=3e-5, tail=3e-5, hold=hold)
    if hold is None:
        scl, sda = jittered(scl, 0.1e-6, generator), skewed(jittered(sda, 0.1e-6, generator), 0.3e-6)
    edge = {"rise_time": 0.8e-6 if hold is None else 0.0, "noise": 0.08, "generator": generator, "phase": seed / 1000}
    waves = {name: draw(line, rate=samples * RATE, **edge) for name, line in (("scl", scl), ("sda", sda))}
    frames = decode(waves, "i2c")
    assert [(f["address"] << 1 | f["read"], f["data"]) for f in frames] == [(t.sent[0], t.sent[1:]) for t in transfers]
    assert not frames.has_errors.any()


STRETCHES = st.dictionaries(st.integers(0, 17), st.floats(0, 2e-4), max_size=3)
TEN_BIT_TRANSFERS = st.lists(
    st.tuples(st.integers(0, 0x3FF), st.booleans(), st.binary(min_size=1, max_size=6), STRETCHES),
    min_size=1,
    max_size=5,
)


@given(spoken=TEN_BIT_TRANSFERS, seed=st.integers(0, 999))
def test_ten_bit_addresses_and_stretched_clocks_come_back_through_poor_lines(
    spoken: list[tuple[int, bool, bytes, dict[int, float]]], seed: int
) -> None:
    # UM10204, 3.1.9 and 3.1.11 (from memory): 11110 A9 A8 R/W, then A7 … A0; a read repeats the first byte only
    generator = np.random.default_rng(seed)
    sent: list[Transfer] = []
    expected: list[tuple[int, bool, bytes]] = []
    for address, read, data, stretched in spoken:
        first, second = 0xF0 | address >> 8 << 1, address & 0xFF
        if read:
            answered = [True] * len(data) + [False]
            sent += [
                Transfer(bytes([first, second]), stop=False, stretched=stretched),
                Transfer(bytes([first | 1]) + data, answered),
            ]
            expected += [(address, False, b""), (address, True, data)]
        else:
            sent.append(Transfer(bytes([first, second]) + data, stretched=stretched))
            expected.append((address, False, data))
    scl, sda = i2c_lines(sent, lead=3e-5, tail=3e-5)
    scl, sda = jittered(scl, 0.1e-6, generator), jittered(sda, 0.1e-6, generator)
    edge = {"rise_time": 0.8e-6, "noise": 0.08, "generator": generator}
    frames = decode({"scl": draw(scl, rate=2e6, **edge), "sda": draw(sda, rate=2e6, **edge)}, "i2c")
    assert [(frame["address"], frame["read"], frame["data"]) for frame in frames] == expected
    assert not frames.has_errors.any()
    assert max(frame["clock_low"] for frame in frames) >= max([0, *(t for one in spoken for t in one[3].values())])


@given(first=st.floats(0, 900), length=st.floats(20, 900))
def test_a_record_that_begins_and_ends_inside_transfers_invents_none(first: float, length: float) -> None:
    sent = [b"\x90\x01\x60", b"\x92\xff\x00\x55", b"\xa0\x10"]
    lines = i2c_lines([Transfer(raw) for raw in sent], lead=2e-5, tail=2e-5)
    waves = [draw(cropped(line, first * 1e-6, (first + length) * 1e-6), rate=2e6) for line in lines]
    frames = decode(dict(zip(("scl", "sda"), waves, strict=True)), "i2c", levels="lvcmos33")
    for frame in frames:
        if frame.is_clean:
            assert bytes([frame["address"] << 1 | frame["read"]]) + frame["data"] in sent


@pytest.mark.parametrize("samples", [3, 4, 5, 6, 7, 8])
def test_too_few_samples_a_clock_are_read_right_or_marked(samples: int) -> None:
    generator = np.random.default_rng(4)
    sent = [bytes([0x90, *generator.integers(0, 256, 5).tolist()]) for _ in range(20)]
    for hold in (0.0, None):
        frames = said(*[Transfer(raw) for raw in sent], samples=samples, hold=hold)
        clean = [b"\x90" + frame["data"] for frame in frames if frame.is_clean]
        assert clean in (sent, [])
        assert clean == sent or samples < 6


def test_a_clock_that_is_held_low_for_ever_ends_in_a_transfer_that_is_cut() -> None:
    scl, sda = i2c_lines([write_transfer(0x48, b"\x01"), write_transfer(0x48, b"\x02")], lead=2e-5, tail=2e-5)
    held = scl.falling[25]
    scl = Line(True, scl.times[scl.times <= held], scl.start, scl.end)
    sda = Line(True, sda.times[sda.times <= held], sda.start, sda.end)
    frames = decoded(scl, sda)
    assert [frame.errors for frame in frames] == [(), ("cut", "clock held")]


def test_the_bit_rate_is_that_of_the_clock() -> None:
    assert said(write_transfer(0x48, b"\x01\x02")).facts["bit_rate"] == pytest.approx(RATE, rel=0.01)


@pytest.mark.parametrize("winner, loser", [(0x40, 0x48), (0x48, 0x4A), (0x10, 0x77)])
def test_arbitration_that_was_lost_cannot_be_seen_on_the_lines(winner: int, loser: int) -> None:
    # UM10204, 3.1.8 (from memory): SDA is low while anybody pulls it; who sends high and reads low withdraws
    scl, sda = i2c_lines([write_transfer(winner, b"\x01\x60")], lead=2e-5, tail=2e-5)
    _, other = i2c_lines([write_transfer(loser, b"\x01\x60")], lead=2e-5, tail=2e-5)
    lost = next(rise for rise in scl.rising if other.is_high(rise) and not sda.is_high(rise))
    pulled = Line(other.first, other.times[other.times < lost], other.start, other.end)  # and lets go from there on
    assert pulled.is_high(lost)
    instants = np.sort(np.concatenate([sda.times, pulled.times]))
    together = sda.is_high(instants) & pulled.is_high(instants)
    changes = np.flatnonzero(np.diff(together, prepend=True))
    (frame,) = decoded(scl, Line(True, instants[changes], sda.start, sda.end))
    assert (frame["address"], frame["data"], frame.errors) == (winner, b"\x01\x60", ())


def test_what_two_masters_garble_is_told_as_the_lines_say_it() -> None:
    # a loser that does not withdraw: the and of both is on the line, and that is what is decoded
    scl, sda = i2c_lines([write_transfer(0x48, b"\x35")], lead=2e-5, tail=2e-5)
    _, other = i2c_lines([write_transfer(0x51, b"\x1c")], lead=2e-5, tail=2e-5)
    instants = np.unique(np.concatenate([sda.times, other.times]))
    together = sda.is_high(instants) & other.is_high(instants)
    changes = np.flatnonzero(np.diff(together, prepend=True))
    (frame,) = decoded(scl, Line(True, instants[changes], sda.start, sda.end))
    assert (frame["address"], frame["data"]) == (0x48 & 0x51, bytes([0x35 & 0x1C]))


def test_what_seems_to_start_within_a_byte_is_not_told_clean() -> None:
    # a spike of SDA while SCL is high looks like a START and a STOP (UM10204 Rev. 6, 3.1.4)
    from tests.buses.damaged.test_damaged_frames import trial

    for seed in (726, 1098, 2081, 4175, 4402, 4900):
        assert trial("i2c", seed).verdict()[0] == "flagged"
