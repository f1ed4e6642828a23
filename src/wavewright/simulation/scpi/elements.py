"""Program messages of IEEE 488.2-1992, clause 7: units, headers and data elements, read byte by byte where it matters.

A block counts its bytes and a string ends at its own quote, so `;`, `,` and NL inside of them end nothing.
Clause numbers †.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from wavewright.simulation.scpi.error_queue import ScpiError

NEWLINE = 0x0A
_WHITE = bytes(code for code in range(0x21) if code != NEWLINE)
_HEADER = re.compile(rb"(\*[A-Za-z]\w*|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\??)")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[Ee]\s*([+-]?\d+))?\s*([A-Za-z][A-Za-z0-9./]*|%)?$")
_WORD = re.compile(r"[A-Za-z]\w*$")
_RADIX = {"H": 16, "Q": 8, "B": 2}
_LONGEST_MNEMONIC = 12
_MOST_DIGITS = 255
_LARGEST_EXPONENT = 32000


class Form(StrEnum):
    """The forms of program data, clause 7.7."""

    NUMBER = "numeric data"
    WORD = "character data"
    STRING = "string data"
    BLOCK = "block data"
    EXPRESSION = "expression data"


@dataclass(frozen=True, slots=True)
class Element:
    """One data element: `text` of words, strings, expressions; `number` and `suffix` of numbers; `block` of blocks."""

    form: Form
    text: str = ""
    number: float = 0.0
    suffix: str = ""
    block: bytes = b""


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit: the mnemonics of its header, whether it asks, and its data."""

    mnemonics: tuple[str, ...]
    is_query: bool
    is_common: bool
    is_rooted: bool
    elements: tuple[Element, ...]


def complete_length(buffer: bytes | bytearray, *, ended: bool) -> int:
    """Bytes of the first whole program message in a buffer, its terminator included; 0 when it is not whole yet.

    `ended`: END came with the last byte, which terminates a message as NL does (clause 7.5).
    """
    if b"#" not in buffer and b'"' not in buffer and b"'" not in buffer:
        found = buffer.find(b"\n") + 1
    else:
        found = _scan_to_newline(buffer)
    return found or (len(buffer) if ended else 0)


def _scan_to_newline(buffer: bytes | bytearray) -> int:
    at = 0
    while at < len(buffer):
        byte = buffer[at]
        if byte == NEWLINE:
            return at + 1
        if byte in b"\"'":
            closing = buffer.find(bytes([byte]), at + 1)
            if closing < 0:  # an unclosed string: its NL is all that can end the message
                return buffer.find(b"\n", at) + 1
            at = closing + 1
        elif byte == ord("#"):
            at = _block_end(buffer, at) or at + 1
        else:
            at += 1
    return 0


def _block_end(buffer: bytes | bytearray, at: int) -> int:
    """Where the definite block that starts at `at` ends; 0 when there is none."""
    digits = buffer[at + 1 : at + 2]
    if not digits.isdigit() or digits == b"0":
        return 0
    count = buffer[at + 2 : at + 2 + int(digits)]
    return at + 2 + int(digits) + int(count) if count.isdigit() and len(count) == int(digits) else 0


def read_units(message: bytes) -> Iterator[Unit]:
    """The units of one program message, in turn, so that a fault in the third leaves the first two done.

    Raises
    ------
    ScpiError : −1xx, at the unit that is wrong.
    """
    message = message.removesuffix(b"\n")
    at = _skip(message, 0)
    while at < len(message):
        if message[at] == ord(";"):
            at = _skip(message, at + 1)
            continue
        unit, at = _read_unit(message, at)
        yield unit
        at = _skip(message, at)
        if at < len(message) and message[at] != ord(";"):
            raise ScpiError(-103, f"`{chr(message[at])}` where `;` or the end is required")


def _skip(message: bytes, at: int) -> int:
    while at < len(message) and message[at] in _WHITE:
        at += 1
    return at


def _read_unit(message: bytes, at: int) -> tuple[Unit, int]:
    found = _HEADER.match(message, at)
    if not found:
        raise ScpiError(-101 if message[at] not in b"*:?" else -110, _quoted(message[at : at + 12]))
    header, mark = found[1].decode("ascii"), bool(found[2])
    mnemonics = tuple(header.lstrip("*:").upper().split(":"))
    if any(len(word.rstrip("0123456789")) > _LONGEST_MNEMONIC for word in mnemonics):
        raise ScpiError(-112, header)
    at = found.end()
    if at < len(message) and message[at] not in _WHITE and message[at] != ord(";"):
        raise ScpiError(-111 if message[at] != ord(":") else -102, f"after `{header}`")
    elements, at = _read_elements(message, _skip(message, at))
    return Unit(mnemonics, mark, header.startswith("*"), header.startswith(":"), elements), at


def _read_elements(message: bytes, at: int) -> tuple[tuple[Element, ...], int]:
    elements: list[Element] = []
    while at < len(message) and message[at] != ord(";"):
        if message[at] == ord(","):
            raise ScpiError(-103, "nothing before `,`")
        element, at = _read_element(message, at)
        elements.append(element)
        at = _skip(message, at)
        if at < len(message) and message[at] == ord(","):
            at = _skip(message, at + 1)
            if at >= len(message) or message[at] == ord(";"):
                raise ScpiError(-109, "nothing after `,`")
        elif at < len(message) and message[at] != ord(";"):
            raise ScpiError(-103, f"`{chr(message[at])}` where `,` or `;` is required")
    return tuple(elements), at


def _read_element(message: bytes, at: int) -> tuple[Element, int]:
    opening = message[at]
    if opening in b"\"'":
        return _read_string(message, at)
    if opening == ord("#"):
        return _read_block_or_radix(message, at)
    if opening == ord("("):
        return _read_expression(message, at)
    end = at
    while end < len(message) and message[end] not in b",;":
        end += 1
    text = message[at:end].decode("latin-1").strip()
    return (_word(text) if text[0].isalpha() else _number(text)), end


def _word(text: str) -> Element:
    if not _WORD.match(text):
        raise ScpiError(-103 if any(mark.isspace() for mark in text) else -141, text)
    if len(text.rstrip("0123456789")) > _LONGEST_MNEMONIC:
        raise ScpiError(-144, text)
    return Element(Form.WORD, text=text.upper())


def _number(text: str) -> Element:
    if text[0] not in "+-.0123456789":
        raise ScpiError(-101, f"`{text[0]}`")
    found = _NUMBER.match(text)
    if not found:
        raise ScpiError(-121, text)
    mantissa, exponent, suffix = found[1], int(found[2] or 0), found[3] or ""
    if abs(exponent) > _LARGEST_EXPONENT:
        raise ScpiError(-123, text)
    if len(mantissa.strip("+-").replace(".", "").lstrip("0")) > _MOST_DIGITS:
        raise ScpiError(-124)
    return Element(Form.NUMBER, text=text, number=float(f"{mantissa}e{exponent}"), suffix=suffix.upper())


def _read_string(message: bytes, at: int) -> tuple[Element, int]:
    quote, end, text = message[at : at + 1], at + 1, b""
    while True:
        closing = message.find(quote, end)
        if closing < 0:
            raise ScpiError(-151, "the closing quote is missing")
        text += message[end:closing]
        if message[closing + 1 : closing + 2] != quote:
            break
        text, end = text + quote, closing + 2
    if any(byte > 0x7F for byte in text):
        raise ScpiError(-151, "7-bit characters only")
    return Element(Form.STRING, text=text.decode("ascii")), closing + 1


def _read_block_or_radix(message: bytes, at: int) -> tuple[Element, int]:
    kind = message[at + 1 : at + 2].decode("latin-1").upper()
    if kind == "0":
        return Element(Form.BLOCK, block=message[at + 2 :]), len(message)
    if kind.isdigit():
        end = _block_end(message, at)
        if not end or end > len(message):
            raise ScpiError(-161, "the count promises more bytes than came")
        return Element(Form.BLOCK, block=message[at + 2 + int(kind) : end]), end
    if kind not in _RADIX:
        raise ScpiError(-101, _quoted(message[at : at + 2]))
    end = at + 2
    while end < len(message) and chr(message[end]).isalnum():
        end += 1
    try:
        number = int(message[at + 2 : end], _RADIX[kind])
    except ValueError:
        raise ScpiError(-121, _quoted(message[at:end])) from None
    return Element(Form.NUMBER, text=message[at:end].decode("latin-1"), number=float(number)), end


def _read_expression(message: bytes, at: int) -> tuple[Element, int]:
    depth = 0
    for end in range(at, len(message)):
        depth += {ord("("): 1, ord(")"): -1}.get(message[end], 0)
        if depth == 0:
            return Element(Form.EXPRESSION, text=message[at + 1 : end].decode("latin-1")), end + 1
    raise ScpiError(-171, "the closing bracket is missing")


def _quoted(part: bytes) -> str:
    return f"`{part.decode('latin-1')}`".replace("\n", "␊").encode("ascii", "replace").decode("ascii")
