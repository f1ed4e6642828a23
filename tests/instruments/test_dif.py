"""The Data Interchange Format: an example worked by hand, both orders, both forms of keywords, garbled input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import BadAnswer
from wavewright.instruments.dif import read_dif, waveforms_of, write_dif
from wavewright.instruments.dif_expression import parse_dif
from wavewright.waveform import Waveform

SAMPLES = bytes.fromhex("00 00 03 E8 FC 18 07 D0 00 00 01 F4 03 E8 FE 0C")
# our own expression in the structure of SCPI-99 volume 3 (keywords from memory, not verified)
EXAMPLE = (
    b'(DIF (VERSion 1999.0) IDENtify (NAME "coil drive" DATE 2026,1,15 TIME 9,30,0)\n'
    b" ENCode (FORMat INT16)\n"
    b' DIMension=T  (TYPE IMPLicit SCALe 1E-06 OFFSet -2E-06 SIZE 4 UNITs "S")\n'
    b' DIMension=C1 (TYPE EXPLicit SCALe 0.001 OFFSet 0 SIZE 4 UNITs "V")\n'
    b' DIMension=C2 (TYPE EXPLicit SCALe 0.002 OFFSet 1 SIZE 4 UNITs "V")\n'
    b" ORDer (BY DIMension) DATA (CURVe (VALues #216" + SAMPLES + b")))\n"
)
SHORT_FORMS = [(b"VERSion", b"VERS"), (b"IDENtify", b"iden"), (b"ENCode", b"ENC"), (b"FORMat", b"FORM")]
SHORT_FORMS += [(b"DIMension=", b"Dim="), (b"IMPLicit", b"IMPL"), (b"EXPLicit", b"expl"), (b"SCALe", b"SCAL")]
SHORT_FORMS += [(b"OFFSet", b"OFFS"), (b"UNITs", b"UNIT"), (b"ORDer", b"ORD"), (b"CURVe", b"CURV"), (b"VALues", b"VAL")]


def volts(message: bytes) -> dict[str, list[float]]:
    return {name: wave.values().tolist() for name, wave in waveforms_of(read_dif(message)).items()}


def test_the_worked_example_by_dimension() -> None:
    waves = waveforms_of(read_dif(EXAMPLE))
    assert waves["C1"].values().tolist() == pytest.approx([0, 1, -1, 2])
    assert waves["C2"].values().tolist() == pytest.approx([1, 2, 3, 0])
    assert [waves["C1"].time_of(k) for k in range(4)] == pytest.approx([-2e-6, -1e-6, 0, 1e-6])
    assert waves["C1"].codes.dtype == np.int16  # native, not big-endian


def test_the_worked_example_by_tuple() -> None:
    waves = volts(EXAMPLE.replace(b"BY DIMension", b"BY TUPLe"))
    assert waves["C1"] == pytest.approx([0, -1, 0, 1])
    assert waves["C2"] == pytest.approx([3, 5, 2, 0])


def test_short_forms_and_other_white_space_mean_the_same() -> None:
    short = EXAMPLE
    for long_form, short_form in SHORT_FORMS:
        short = short.replace(long_form, short_form)
    head, tail = short.split(b"#216")
    assert volts(head.replace(b" ", b"\n \t ") + b"#216" + tail) == volts(EXAMPLE)


def test_unknown_blocks_are_passed_over() -> None:
    stranger = b'(DIF (VERSion 1999.0) OTHer=X (DEEP (ER "a ) b ""c"" " 1,2,3)) REMark (\'it\'\'s ( free\') '
    assert volts(EXAMPLE.replace(b"(DIF (VERSion 1999.0)", stranger)) == volts(EXAMPLE)


def test_a_preamble_has_scales_and_no_samples() -> None:
    preamble = EXAMPLE.split(b" DATA")[0] + b")"
    dimensions = read_dif(preamble)
    assert [dimension.codes for dimension in dimensions] == [None] * 3
    assert (dimensions[2].label, dimensions[2].scale, dimensions[2].offset) == ("C2", 0.002, 1.0)
    with pytest.raises(BadAnswer, match="dimension `C1` has no samples"):
        waveforms_of(dimensions)


def test_samples_in_text_with_no_number_and_infinity_among_them() -> None:
    # SCPI-99 vol. 1, 7.2.1.5: 9.91E37 is "not a number", 9.9E37 infinity (from memory, not verified)
    text = EXAMPLE.replace(b"INT16", b"ASCii").replace(b"#216" + SAMPLES, b"0,1000,9.91E37,9.9E37,0,500,#HFF,-9.9E37")
    waves = waveforms_of(read_dif(text))
    assert waves["C1"].values(0, 2).tolist() == [0, 1]
    assert np.isnan(waves["C1"].codes[2])
    assert waves["C1"].codes[3] == np.inf
    assert waves["C2"].codes[2] == 255


def test_a_dimension_may_have_its_own_encoding_with_the_limits_of_the_codes() -> None:
    message = (
        b'(DIF ENC (FORM INT16) DIM=T (TYPE IMPL SCAL 1 SIZE 2 UNIT "S") '
        b'DIM=A (TYPE EXPL UNIT "V" NAME "rail" ENC (FORM UINT8 LRAN 0 HRAN 255)) '
        b"DIM=B (TYPE EXPL) DATA (CURV (VAL #16\x01\xff\x00\x01\xff\xff)))"
    )
    waves = waveforms_of(read_dif(message))
    assert (waves["rail"].codes.tolist(), waves["rail"].code_range) == ([1, 255], (0, 255))
    assert waves["B"].codes.tolist() == [1, -1]


def test_swapped_bytes() -> None:
    swapped = np.frombuffer(SAMPLES, ">i2").astype("<i2").tobytes()
    assert volts(EXAMPLE.replace(SAMPLES, swapped).replace(b"INT16", b"SINT16")) == volts(EXAMPLE)


GARBLED = [
    ("not an expression", b"9.91E37", "byte 0: .*", "a DIF expression"),
    ("another expression", b"(@1:3)", "byte 1", "a word, a number"),
    ("other head", b"(ABC (VERSion 1))", "byte 0: an expression that does not begin with `DIF`", "(DIF …)"),
    ("no dimensions", b"(DIF (VERSion 1999.0))", "without dimensions", "DIMension"),
    ("string not closed", b'(DIF (NAME "coil', "byte 11: cut short: a string", '"'),
    ("parenthesis not closed", EXAMPLE[:100], "byte 100: cut short: a parenthesis", ")"),
    ("block too short", EXAMPLE[:-10], "block of `16` bytes, 10 came", "as many bytes"),
    ("after the end", EXAMPLE + b"x", "something follows", "the end"),
    ("indefinite block", b"(DIF (VALues #0abc))", "byte 13: block head", "1 to 9"),
    ("wrong size", EXAMPLE.replace(b"SIZE 4 UNITs \"V\"", b"SIZE 5 UNITs \"V\""), "16 bytes of samples for 5", "SIZE"),
    ("odd bytes", b'(DIF ENC (FORM INT16) DIM=T (TYPE IMPL UNIT "S") DIM=A (TYPE EXPL) DATA (CURV (VAL #13abc)))',
     "3 bytes of samples", "2 bytes"),
    ("unknown format", EXAMPLE.replace(b"INT16", b"INT12"), "samples in format `INT12`", "INT16"),
    ("format says text", EXAMPLE.replace(b"INT16", b"ASC"), "the format says ASCii", "comma list"),
    ("no time axis", EXAMPLE.replace(b'"S"', b'"HZ"'), "no implicit dimension in seconds", "UNITs"),
    ("too deep", b"(DIF " + 60 * b"(", "parentheses 33 deep", "at most 32"),
]  # fmt: skip


@pytest.mark.parametrize("message, what, expected", [row[1:] for row in GARBLED], ids=[row[0] for row in GARBLED])
def test_garbled_input_is_one_bad_answer(message: bytes, what: str, expected: str) -> None:
    with pytest.raises(BadAnswer, match=what) as fault:
        waveforms_of(read_dif(message))
    assert expected in fault.value.expected


@given(st.binary(max_size=40))
def test_no_bytes_at_all_crash_the_reader(noise: bytes) -> None:
    for message in (noise, b"(DIF " + noise + b")", EXAMPLE.replace(b"SCALe 1E-06", noise)):
        try:
            read_dif(message)
        except BadAnswer as fault:
            assert fault.what  # noqa: PT017 (either outcome is right)


@given(st.lists(st.integers(-(2**15), 2**15 - 1), max_size=20), st.booleans())
def test_what_is_written_reads_the_same(codes: list[int], as_floats: bool) -> None:
    wave = Waveform(
        np.array(codes, np.float32 if as_floats else np.int16), gain=-0.5, offset=1.0, interval=1e-9, start=2.0
    )
    message = write_dif({'say "rail" (1)': wave}, name="VC-204")
    assert parse_dif(message)[0] == "DIF"
    again = waveforms_of(read_dif(message))['say "rail" (1)']
    assert again.codes.tolist() == wave.codes.tolist()
    assert (again.gain, again.offset, again.interval, again.start) == (-0.5, 1.0, 1e-9, 2.0)


def test_the_dimensions_written_are_numbered_from_one_in_the_order_of_the_channels() -> None:
    # labels as in the worked example above: other programs look for C1 first
    waves = {name: Waveform(np.array([1, 2], dtype=np.int16), interval=1e-6, name=name) for name in ("drive", "rail")}
    text = write_dif(waves).split(b"DATA", 1)[0]
    assert [text.index(b"DIMension=C1 "), text.index(b'"drive"')] < [
        text.index(b"DIMension=C2 "),
        text.index(b'"rail"'),
    ]
    assert b"DIMension=C0" not in text
    assert b"DIMension=C3" not in text
