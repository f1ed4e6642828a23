from __future__ import annotations

from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import frame_rows, show_bytes, show_field, show_text

MESSAGE = Frame(
    1e-3, 5.583333e-3, "message",
    {"address": 17, "function_name": "read holding registers", "data": b"\x00\x41\r\n", "acknowledged": (True, False)},
    ("crc", "gap"),
)  # fmt: skip


def test_control_characters_are_made_visible() -> None:
    # pictures of U+2400 … stand for the control characters of ISO 646 with the same low bits
    assert show_text(b"OK\r\n") == "OK␍␊"
    assert show_text(bytes(range(0x20))) == "".join(chr(0x2400 + code) for code in range(0x20))
    assert show_text(b"\x7f \xe5") == "␡ \\xE5"


def test_bytes_are_shown_in_four_ways() -> None:
    assert show_bytes(b"\x00\x41\xff") == "00 41 FF"
    assert show_bytes(b"\x00\x41\xff", "decimal") == "0 65 255"
    assert show_bytes(b"\x00\x41", "binary") == "00000000 01000001"
    assert show_bytes(b"\x00A\xff", "text") == "␀A\\xFF"


def test_fields_are_shown_as_what_they_are() -> None:
    assert show_field("address", 17) == "0x11"
    assert show_field("address", 0x7FF) == "0x7FF"
    assert show_field("length", 17) == "17"
    assert show_field("read", True) == "yes"
    assert show_field("clock_low", 1.5e-3) == "1.5 ms"
    assert show_field("values", ("a", "b")) == "a, b"
    assert show_field("acknowledged", (True, False)) == "AN"
    assert show_field("data", 0x41, "text") == "A"


def test_a_table_has_a_column_for_every_field_that_occurs() -> None:
    heads, rows = frame_rows([MESSAGE, Frame(0.0, 1.0, "break", {}, ("break",))])
    assert heads == ("start", "duration", "kind", "address", "function_name", "data", "acknowledged", "errors")
    assert rows[0][2:] == ("message", "0x11", "read holding registers", "00 41 0D 0A", "AN", "crc, gap")
    assert rows[0][:2] == ("1.000000 ms", "4.583333 ms")
    assert rows[1][2:] == ("break", "", "", "", "", "break")
