from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.buses.wires import bits_of
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.lin import protected_identifier
from wavewright.buses.line.checksums import carry_sum
from wavewright.simulation.encoders.bits import line_of_bits
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.simulation.encoders.lin import LinMessage, lin_bits, lin_line

BAUD = 19200.0
EXAMPLE = bytes.fromhex("4A 55 93 E5")
EXAMPLE_BITS = "0000000000000 1 0101010101 0000010101 0010100101 0101010101 0110010011 0101001111 0011010011"
# closed form after LIN 2.1, 2.3.1.3 (from memory); 00, 01, 3C and 3D also seen in print
PROTECTED = """
00:80 01:C1 02:42 03:03 04:C4 05:85 06:06 07:47 08:08 09:49 0A:CA 0B:8B 0C:4C 0D:0D 0E:8E 0F:CF
10:50 11:11 12:92 13:D3 14:14 15:55 16:D6 17:97 18:D8 19:99 1A:1A 1B:5B 1C:9C 1D:DD 1E:5E 1F:1F
20:20 21:61 22:E2 23:A3 24:64 25:25 26:A6 27:E7 28:A8 29:E9 2A:6A 2B:2B 2C:EC 2D:AD 2E:2E 2F:6F
30:F0 31:B1 32:32 33:73 34:B4 35:F5 36:76 37:37 38:78 39:39 3A:BA 3B:FB 3C:3C 3D:7D 3E:FE 3F:BF
"""


def said(*sent: bytes, **options: object) -> Frames:
    line = lin_line([LinMessage(raw) for raw in sent], baud=BAUD)
    return decode({"line": draw(line, rate=20 * BAUD, low=0.5, high=12.0)}, "lin", baud=BAUD, **options)


@pytest.mark.parametrize("pair", PROTECTED.split(), ids=lambda pair: f"{pair[:2]}")
def test_a_protected_identifier_has_two_parity_bits(pair: str) -> None:
    identifier, protected = (int(word, 16) for word in pair.split(":"))
    assert protected_identifier(identifier) == protected
    (frame,) = said(bytes([protected, 0x01, carry_sum(bytes([0x01]))]))
    assert (frame["identifier"], frame.errors) == (identifier, ())
    (wrong,) = said(bytes([protected ^ 0x40, 0x01, carry_sum(bytes([0x01]))]))
    assert "identifier parity" in wrong.errors


@pytest.mark.parametrize("protected, checksum", [(0x50, 0x96), (0x20, 0xC6), (0x97, 0x4F)], ids=["50", "20", "97"])
def test_the_enhanced_checksum_goes_over_the_identifier_too(protected: int, checksum: int) -> None:
    # carry-wise and modulo 255 agree; 0x96 seen in print
    total = (protected + sum(EXAMPLE)) % 255
    assert 255 - total == checksum
    (frame,) = said(bytes([protected]) + EXAMPLE + bytes([checksum]))
    assert (frame["data"], frame["checksum"], frame["model"], frame.errors) == (EXAMPLE, checksum, "enhanced", ())
    assert said(bytes([protected]) + EXAMPLE + bytes([checksum]), checksum="classic")[0].errors == ("checksum",)


def test_the_classic_checksum_goes_over_the_data() -> None:
    # LIN 2.2A, 2.8.3, worked example: 0xE6
    raw = b"\x50" + EXAMPLE + b"\xe6"
    assert said(raw)[0]["model"] == "classic"
    assert said(raw, checksum="classic")[0].errors == ()
    assert said(raw, checksum="enhanced")[0].errors == ("checksum",)


@pytest.mark.parametrize("identifier", [0x3C, 0x3D])
def test_diagnostic_frames_are_always_classic(identifier: int) -> None:
    protected, data = protected_identifier(identifier), bytes(range(8))
    classic = bytes([protected]) + data + bytes([carry_sum(data)])
    assert said(classic, checksum="enhanced")[0]["model"] == "classic"
    enhanced = bytes([protected]) + data + bytes([carry_sum(bytes([protected]) + data)])
    assert said(enhanced)[0].errors == ("checksum",)


def test_sums_of_short_and_extreme_data() -> None:
    # carry-wise and modulo 255 agree
    assert carry_sum(b"\x01\x02") == 0xFC
    assert carry_sum(bytes([protected_identifier(0x20)]) + b"\x01\x02") == 0xDC
    assert said(b"\x20" + b"\xff" * 8 + b"\x00", checksum="classic")[0].errors == ()
    assert said(b"\x20" + b"\x00" * 8 + b"\xff", checksum="classic")[0].errors == ()


@pytest.mark.parametrize("count, nominal", [(2, 3.333e-3), (4, 4.375e-3), (8, 6.458e-3)], ids=lambda x: f"{x}")
def test_a_frame_lasts_its_nominal_time(count: int, nominal: float) -> None:
    # LIN 2.1, 2.3.2 (from memory): header 34 bits, answer 10 (n + 1)
    raw = b"\x50" + bytes(count)
    (frame,) = said(raw + bytes([carry_sum(raw)]))
    assert frame.end - frame.start == pytest.approx(nominal, abs=5e-6)
    assert (34 + 10 * (count + 1)) / BAUD == pytest.approx(nominal, abs=1e-6)


def test_a_whole_frame_bit_by_bit() -> None:
    # LIN 2.1, 2.3.1 (from memory)
    assert lin_bits(LinMessage(b"\x50" + EXAMPLE + b"\x96")) == bits_of(EXAMPLE_BITS)
    assert len(bits_of(EXAMPLE_BITS)) == 84
    line = line_of_bits([1] * 20 + bits_of(EXAMPLE_BITS) + [1] * 20, bit_time=1 / BAUD)
    (frame,) = decode({"line": draw(line, rate=20 * BAUD)}, "lin")  # the bit rate is found
    assert (frame.kind, frame["identifier"], frame["data"], frame["checksum"]) == ("frame", 0x10, EXAMPLE, 0x96)
    assert frame.end - frame.start == pytest.approx(4.375e-3, rel=0.01)


def test_what_is_wrong_is_told() -> None:
    header = lin_line([LinMessage(b"\x50")], baud=BAUD)
    assert decode({"line": draw(header, rate=4e5)}, "lin", baud=BAUD)[0].errors == ("no answer",)
    assert said(b"\x50\x01")[0].errors == ("short",)
    long = b"\x50" + bytes(9)
    assert said(long + bytes([carry_sum(long)]))[0].errors == ("long",)
    bits = lin_bits(LinMessage(b"\x50\x01\xae"))
    bits[13 + 1 + 3] ^= 1  # inside the synchronisation byte
    line = line_of_bits([1] * 20 + bits + [1] * 20, bit_time=1 / BAUD)
    assert "sync" in decode({"line": draw(line, rate=4e5)}, "lin", baud=BAUD)[0].errors


@given(
    frames=st.lists(st.tuples(st.integers(0, 0x3B), st.binary(min_size=1, max_size=8)), min_size=1, max_size=5),
    break_bits=st.integers(13, 20),
    error=st.floats(-0.015, 0.015),
    seed=st.integers(0, 999),
    model=st.sampled_from(["classic", "enhanced"]),
)
def test_what_is_encoded_and_impaired_is_decoded_again(
    *, frames: list[tuple[int, bytes]], break_bits: int, error: float, seed: int, model: str
) -> None:
    generator = np.random.default_rng(seed)
    messages = []
    for identifier, data in frames:
        raw = bytes([protected_identifier(identifier)]) + data
        check = carry_sum(raw if model == "enhanced" else data)
        messages.append(LinMessage(raw + bytes([check]), break_bits, 1 + seed % 3))
    line = jittered(off_rate(lin_line(messages, baud=BAUD), error), 1e-6, generator)
    tx = draw(line, rate=4e5, low=1.0, high=12.0, rise_time=10e-6, noise=0.2, generator=generator)
    found = decode({"line": tx}, "lin", baud=BAUD, checksum=model, levels="lin 12 V")
    assert [(frame["identifier"], frame["data"], frame["model"]) for frame in found] == [
        (identifier, data, model) for identifier, data in frames
    ]
    assert not found.has_errors.any()


@pytest.mark.parametrize("identifier", range(64), ids=lambda identifier: f"{identifier:02X}")
def test_parity_bits_follow_from_the_identifier(identifier: int) -> None:
    # LIN 2.1, 2.3.1.3 (from memory): P0 = ID0 + ID1 + ID2 + ID4, P1 = not (ID1 + ID3 + ID4 + ID5), sums modulo 2
    id0, id1, id2, id3, id4, id5 = (identifier >> place & 1 for place in range(6))
    p0, p1 = (id0 + id1 + id2 + id4) % 2, 1 - (id1 + id3 + id4 + id5) % 2
    assert protected_identifier(identifier) == p1 << 7 | p0 << 6 | identifier
