"""The smallest parts of an expression: numbers with their units, names, signs."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from wavewright.errors import Misuse, Place

LONGEST = 1000  # characters
MOST_TOKENS = 200  # keeps trees, which are walked by recursion, well within the interpreter's stack


class TokenKind(StrEnum):
    """What a token is."""

    NUMBER = "number"
    NAME = "name"
    SIGN = "sign"
    END = "end"


@dataclass(frozen=True, slots=True)
class Token:
    """One part of an expression: its text, its column counted from 1, and the unit after a number.

    `tolerance` is the number after the ± that follows a number, `tolerance_unit` the unit after that; empty without.
    """

    kind: TokenKind
    text: str
    column: int
    unit: str = ""
    tolerance: str = ""
    tolerance_unit: str = ""


_BLANK = re.compile(r"[ \t\r\n]*")
_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_UNIT = re.compile(r"[ \t]*([A-Za-zµμΩΩ]+|%)")
_TOLERANCE = re.compile(r"[ \t]*(?:±|\+/-)[ \t]*")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_QUOTED = re.compile(r"`([^`]+)`")
_SIGN = re.compile(r"\*\*|[-+*/(),]")


def fault(text: str, column: int, what: str, *, expected: str = "", do: str = "") -> Misuse:
    """What is wrong with an expression, and at which column."""
    return Misuse(what, where=Place(f"`{text}`", column=column), expected=expected, do=do)


def tokens(text: str) -> list[Token]:
    """All tokens, the last of which is the end.

    A unit belongs to the number before it: `0.1 ohm`, `20kHz`. A channel whose name is not a word is in backquotes.

    Raises
    ------
    Misuse : too long, or a character that means nothing here; names the column.
    """
    if len(text) > LONGEST:
        raise fault(f"{text[:40]} …", LONGEST, f"{len(text)} characters", expected=f"at most {LONGEST}")
    found: list[Token] = []
    at = _skip(text, 0)
    while at < len(text):
        if number := _NUMBER.match(text, at):
            token, at = _number(text, number)
            found.append(token)
        elif name := _NAME.match(text, at) or _QUOTED.match(text, at):
            found.append(Token(TokenKind.NAME, name[0].strip("`"), at + 1))
            at = name.end()
        elif sign := _SIGN.match(text, at):
            found.append(Token(TokenKind.SIGN, sign[0], at + 1))
            at = sign.end()
        else:
            raise _stray(text, at)
        at = _skip(text, at)
        if len(found) > MOST_TOKENS:
            raise fault(text, found[-1].column, f"more than {MOST_TOKENS} numbers, names and signs", expected="fewer")
    found.append(Token(TokenKind.END, "", len(text) + 1))
    return found


def _number(text: str, number: re.Match[str]) -> tuple[Token, int]:
    """A number with its unit and its tolerance, and where the text goes on."""
    unit = _UNIT.match(text, number.end())
    end, column, word = unit.end() if unit else number.end(), number.start() + 1, unit[1] if unit else ""
    sign = _TOLERANCE.match(text, end)
    if sign is None:
        return Token(TokenKind.NUMBER, number[0], column, word), end
    tolerance = _NUMBER.match(text, sign.end())
    if tolerance is None:
        raise fault(text, sign.end() + 1, "no tolerance after the sign", expected="such as `10 ohm ± 1 %`")
    its_unit = _UNIT.match(text, tolerance.end())
    token = Token(TokenKind.NUMBER, number[0], column, word, tolerance[0], its_unit[1] if its_unit else "")
    return token, its_unit.end() if its_unit else tolerance.end()


def _skip(text: str, at: int) -> int:
    blank = _BLANK.match(text, at)
    return blank.end() if blank else at


def _stray(text: str, at: int) -> Misuse:
    advice = {
        "^": "write `**` for a power",
        ".": "a channel has no attributes: write its name alone",
        "[": "a channel has no indices: derive from the whole record",
        "`": "close the backquote",
        "±": "a tolerance belongs to a number: `10 ohm ± 1 %`",
    }
    return fault(
        text,
        at + 1,
        f"`{text[at]}` is not understood here",
        expected="numbers with units, channels, functions, + - * / ** ( ) ,",
        do=advice.get(text[at], ""),
    )
