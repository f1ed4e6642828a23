"""Numbers, words, strings and lists as instruments send them: read forgivingly, sent precisely.

IEEE 488.2-1992 chapters 7 (what is sent) and 8 (what is answered), SCPI-99 volume 1 chapters 6 and 7 (clause
numbers †). Everything here is a pure function of text; `link` adds who said it.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from functools import lru_cache

from wavewright.errors import BadAnswer, Misuse

OVERLOAD = 9.9e37  # SCPI-99 vol. 1, 7.2.1: INFinity; with the opposite sign NINFinity
NOT_A_NUMBER = 9.91e37  # the same clause: NAN
_SPECIAL_TOLERANCE = 1e-6  # devices round what they send; the two differ by 1E-3

_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(\s*[Ee]\s*[+-]?\d+)?", re.ASCII)
_NON_DECIMAL = re.compile(r"#([HhQqBb])([0-9A-Fa-f]+)")
_BASES = {"H": 16, "Q": 8, "B": 2}
_NUMBER_WORDS = {
    **dict.fromkeys(("INF", "INFINITY"), math.inf),
    **dict.fromkeys(("NINF", "NINFINITY"), -math.inf),
    "NAN": math.nan,
}
_SHORT_LENGTH = 4
_VOWELS = "AEIOU"


def format_number(value: float) -> str:
    """A number in base units as NR3 (IEEE 488.2-1992, 8.7.4): every parser takes it, and no suffix can be misread.

    The shortest digits that bring the same float back.

    Raises
    ------
    Misuse : infinite or not a number; there is no way to set that.

    Examples
    --------
    >>> format_number(0.08), format_number(-250e6), format_number(0.0)
    ('8.0E-02', '-2.5E+08', '0.0E+00')
    """
    if not math.isfinite(value):
        raise Misuse(f"the number {value} cannot be sent to an instrument", expected="a finite number")
    sign, digits, exponent = Decimal(repr(float(value))).as_tuple()
    assert isinstance(exponent, int)  # the other kinds are not finite
    text = "".join(map(str, digits)).rstrip("0") or "0"
    power = exponent + len(digits) - 1 if value else 0
    return f"{'-' * sign if value else ''}{text[0]}.{text[1:] or '0'}E{power:+03d}"


def read_number(text: str) -> float:
    """A number in any form that IEEE 488.2 knows: NR1, NR2, NR3, `#H`, `#Q`, `#B`.

    Returns
    -------
    The number; ±inf for 9.9E37 and the words INF, NINF (overload), NaN for 9.91E37 (no value).

    Raises
    ------
    BadAnswer : the text is not one number and nothing else.

    Examples
    --------
    >>> read_number("+1.000000E+00"), read_number("#HFF"), read_number("9.9000002E37")
    (1.0, 255.0, inf)
    """
    bare = text.strip()
    if _DECIMAL.fullmatch(bare):
        value = float("".join(bare.split()))
        if math.isfinite(value):
            return _special(value)
    elif match := _NON_DECIMAL.fullmatch(bare):
        base = _BASES[match[1].upper()]
        try:
            return float(int(match[2], base))
        except (ValueError, OverflowError):
            pass  # a digit that the base does not have, or a number beyond all floats
    elif bare.upper() in _NUMBER_WORDS:
        return _NUMBER_WORDS[bare.upper()]
    raise BadAnswer(f"`{shorten(text)}` is not a number", expected="a number such as 1, 1.0, 1.0E+00 or #HFF")


def read_register(text: str, *, most: int = 0xFFFF) -> int:
    """The content of a register of status: a whole number in any form that IEEE 488.2 knows.

    Raises
    ------
    BadAnswer : something else, or more than its bits can hold.

    Examples
    --------
    >>> read_register("+32"), read_register("#H60")
    (32, 96)
    """
    value = read_number(text)
    if not 0 <= value <= most or value != int(value):
        raise BadAnswer(f"`{shorten(text)}` is not the content of a register", expected="a whole number, 0 or more")
    return int(value)


def _special(value: float) -> float:
    if math.isclose(abs(value), OVERLOAD, rel_tol=_SPECIAL_TOLERANCE):
        return math.copysign(math.inf, value)
    return math.nan if math.isclose(value, NOT_A_NUMBER, rel_tol=_SPECIAL_TOLERANCE) else value


def read_boolean(text: str) -> bool:
    """`1`, `0`, `ON`, `OFF`, or any number: non-zero when rounded is on (SCPI-99 vol. 1, 7.3).

    Raises
    ------
    BadAnswer : neither a number nor ON or OFF.
    """
    word = text.strip().upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    number = read_number(text)
    if not math.isfinite(number):
        raise BadAnswer(f"`{shorten(text)}` is neither on nor off", expected="1 or 0")
    return round(number) != 0


def format_string(text: str) -> str:
    """A string in double quotes, those inside doubled (IEEE 488.2-1992, 7.7.5).

    Raises
    ------
    Misuse : other than 7-bit characters, or a control character.
    """
    if not text.isascii() or not text.isprintable():
        raise Misuse(f"the text `{text}` cannot be sent", expected="printable 7-bit characters")
    return '"' + text.replace('"', '""') + '"'


def read_string(text: str) -> str:
    """The content of a quoted string; text without quotes is taken as it stands, since devices differ here.

    Raises
    ------
    BadAnswer : an opening quote without its closing one.
    """
    bare = text.strip()
    if not bare or bare[0] not in "\"'":
        return bare
    quote = bare[0]
    inner = bare[1:-1]
    if len(bare) < 2 or bare[-1] != quote or quote in inner.replace(2 * quote, ""):
        raise BadAnswer(f"`{shorten(text)}` is not a whole string", expected=f"text between two {quote}")
    return inner.replace(2 * quote, quote)


def split_list(text: str, separator: str = ",") -> tuple[str, ...]:
    """The items between separators; those inside quotes do not separate (IEEE 488.2-1992, 8.4).

    Examples
    --------
    >>> split_list('-113,"Undefined header; INP,COUP"')
    ('-113', '"Undefined header; INP,COUP"')
    """
    items: list[str] = []
    item: list[str] = []
    quote = ""
    for sign in text:
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        elif sign == separator:
            items.append("".join(item).strip())
            item = []
            continue
        item.append(sign)
    return (*items, "".join(item).strip())


def short_form(mnemonic: str) -> str:
    """The short form of a long mnemonic: four letters, or three where the fourth is a vowel (SCPI-99 vol. 1, 6.2.1).

    Examples
    --------
    >>> short_form("POSITIVE"), short_form("INTEGER"), short_form("DC")
    ('POS', 'INT', 'DC')
    """
    word = mnemonic.upper()
    if len(word) <= _SHORT_LENGTH:
        return word
    return word[: _SHORT_LENGTH - 1] if word[_SHORT_LENGTH - 1] in _VOWELS else word[:_SHORT_LENGTH]


def is_word(answer: str, mnemonic: str) -> bool:
    """Whether an answer is this word, or these nodes, in long form or short; case, quotes and a suffix 1 do not matter.

    Examples
    --------
    >>> is_word("INT", "INTernal1"), is_word('"VOLT:DC"', "VOLTage:DC"), is_word("INT2", "INTernal1")
    (True, True, False)
    """
    said, meant = answer.strip().strip("\"'").split(":"), mnemonic.split(":")
    return len(said) == len(meant) and all(map(_is_node, said, meant))


def _is_node(said: str, meant: str) -> bool:
    said_word, said_suffix = _split_suffix(said.strip().upper())
    meant_word, meant_suffix = _split_suffix(meant)
    written_short = "".join(sign for sign in meant_word if not sign.islower()).upper()
    forms = {meant_word.upper(), short_form(meant_word), written_short}
    return said_word in forms and said_suffix == meant_suffix


def _split_suffix(node: str) -> tuple[str, int]:
    """A node and its numeric suffix; none is 1 (SCPI-99 vol. 1, 6.2.5)."""
    word = node.rstrip("0123456789")
    return (word, int(node[len(word) :] or 1)) if word else (node, 1)


def shorten(text: str | bytes, length: int = 60) -> str:
    """What was there, in printable characters, cut to a length that fits a message."""
    raw = text.encode("utf-8", "replace") if isinstance(text, str) else bytes(text[: length + 1])
    shown = _printable(raw[: length + 1])
    return shown if len(raw) <= length else shown[:length] + "…"


@lru_cache(maxsize=256)
def _printable(raw: bytes) -> str:
    return "".join(chr(byte) if 32 <= byte < 127 else f"\\x{byte:02x}" for byte in raw)
