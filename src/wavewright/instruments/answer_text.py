"""Answers that are text: what is between a line's first byte and its terminator."""

from __future__ import annotations

from wavewright.errors import BadAnswer
from wavewright.instruments.scpi import shorten

_CONTROL = bytes(set(range(32)) - set(b"\t\n\r")) + b"\x7f"


def text_of(line: bytes, *, end: str, encoding: str) -> str:
    """The text of an answer, without its terminator.

    Parameters
    ----------
    end : the terminator that the instrument sends.

    Raises
    ------
    BadAnswer : it is cut short, is empty, or is not text.
    """
    if not line.endswith(end[-1:].encode()):
        raise BadAnswer(f"the answer `{shorten(line)}` is cut short", expected="a terminator at its end")
    bare = line.rstrip(b"\r\n")
    if not bare.strip():
        raise BadAnswer("the answer is empty")
    if bare.translate(None, _CONTROL) != bare or b"\n" in bare:
        raise BadAnswer(f"the answer `{shorten(bare)}` contains bytes that are not text")
    try:
        return bare.decode(encoding)
    except UnicodeDecodeError:
        raise BadAnswer(f"the answer `{shorten(bare)}` is not {encoding} text") from None
