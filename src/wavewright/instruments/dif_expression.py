"""DIF expressions as nested lists: words, strings, numbers, blocks and lists, and how to look keywords up in them.

A general reader; what the keywords mean is said in `dif`. Numbers, strings and blocks: IEEE 488.2-1992, 7.7, 8.7.
"""

from __future__ import annotations

import re
from itertools import pairwise, takewhile

from wavewright.errors import BadAnswer

_DEEPEST = 32
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)(\s*[eE]\s*[+-]?\d+)?(?![A-Za-z_])")
_WORD = re.compile(rb"[A-Za-z_][A-Za-z0-9_:]*")
_SPACE = re.compile(rb"[\x00-\x20,]*")


class Word(str):
    """A keyword or a word value; `label` is what follows its `=`."""

    __slots__ = ("label",)
    label: str

    def is_short_or_long(self, mnemonic: str) -> bool:
        """Whether it is the short form (the capitals of `mnemonic`) or the long one, in any case."""
        short = "".join(takewhile(lambda sign: not sign.islower(), mnemonic))
        return self.upper() in (short.upper(), mnemonic.upper())


Item = Word | str | float | bytes | list["Item"]


def parse_dif(message: bytes) -> list[Item]:
    """The nested list inside `(DIF …)`: words, strings, numbers, blocks (as bytes) and lists; commas only part.

    Raises
    ------
    BadAnswer : see `read_dif`.
    """
    at = _skip(message, 0)
    if message[at : at + 1] != b"(":
        raise BadAnswer(f"`{message[at : at + 20]!r}`", where=f"byte {at}", expected="a DIF expression, `(DIF …)`")
    items, at = _parse_list(message, at + 1, depth=1)
    if not items or not (isinstance(items[0], Word) and items[0].is_short_or_long("DIF")):
        raise BadAnswer("an expression that does not begin with `DIF`", where="byte 0", expected="`(DIF …)`")
    if message[_skip(message, at) :]:
        raise BadAnswer("something follows the closing parenthesis", where=f"byte {at}", expected="the end")
    return items


def _parse_list(message: bytes, at: int, *, depth: int) -> tuple[list[Item], int]:
    if depth > _DEEPEST:
        raise BadAnswer(f"parentheses {depth} deep", where=f"byte {at}", expected=f"at most {_DEEPEST}")
    items: list[Item] = []
    while (at := _skip(message, at)) < len(message):
        sign = message[at : at + 1]
        if sign == b")":
            return items, at + 1
        item: Item
        if sign == b"(":
            item, at = _parse_list(message, at + 1, depth=depth + 1)
        elif sign == b"#":
            item, at = _parse_hash(message, at)
        elif sign in (b'"', b"'"):
            item, at = _parse_string(message, at, sign)
        else:
            item, at = _parse_plain(message, at)
        items.append(item)
    raise BadAnswer("cut short: a parenthesis is not closed", where=f"byte {len(message)}", expected="`)`")


def _parse_plain(message: bytes, at: int) -> tuple[Item, int]:
    if number := _NUMBER.match(message, at):
        return float(re.sub(rb"\s", b"", number[0])), number.end()
    if (found := _WORD.match(message, at)) is None:
        raise BadAnswer(
            f"`{message[at : at + 12]!r}`", where=f"byte {at}", expected="a word, a number or a parenthesis"
        )
    word = Word(found[0].decode("ascii"))
    word.label = ""
    end = found.end()
    if message[end : end + 1] == b"=" and (label := _WORD.match(message, end + 1)):
        word.label, end = label[0].decode("ascii"), label.end()
    return word, end


def _parse_string(message: bytes, at: int, quote: bytes) -> tuple[str, int]:
    end = at + 1
    while (end := message.find(quote, end)) >= 0:
        if message[end + 1 : end + 2] != quote:
            inside = message[at + 1 : end].replace(2 * quote, quote)
            return inside.decode("utf-8", errors="replace"), end + 1
        end += 2  # a doubled quote stands for itself
    raise BadAnswer("cut short: a string is not closed", where=f"byte {at}", expected=f"`{quote.decode()}`")


def _parse_hash(message: bytes, at: int) -> tuple[Item, int]:
    """A definite block (IEEE 488.2-1992, 8.7.9) or a number in another base (7.7.4)."""
    digit = message[at + 1 : at + 2]
    if digit.upper() in (b"H", b"Q", b"B") and (found := re.compile(rb"[0-9A-Fa-f]+").match(message, at + 2)):
        return float(int(found[0], {b"H": 16, b"Q": 8, b"B": 2}[digit.upper()])), found.end()
    if not digit.isdigit() or digit == b"0":
        raise BadAnswer(f"block head `{message[at : at + 2]!r}`", where=f"byte {at}", expected="`#` and 1 to 9")
    length = message[at + 2 : at + 2 + int(digit)]
    begin = at + 2 + int(digit)
    if not length.isdigit() or len(length) != int(digit) or begin + int(length) > len(message):
        raise BadAnswer(
            f"block of `{length.decode('ascii', 'replace')}` bytes, {max(len(message) - begin, 0)} came",
            where=f"byte {at}",
            expected="as many bytes as the head says",
        )
    return message[begin : begin + int(length)], begin + int(length)


def _skip(message: bytes, at: int) -> int:
    found = _SPACE.match(message, at)
    return found.end() if found else at


def following(items: list[Item], mnemonic: str) -> list[tuple[Word, Item]]:
    """What follows every occurrence of a keyword."""
    return [
        (word, item) for word, item in pairwise(items) if isinstance(word, Word) and word.is_short_or_long(mnemonic)
    ]


def list_after(items: list[Item], mnemonic: str, *, in_place: bool = False) -> list[Item]:
    """The block of a keyword, or everything after it (`in_place`); empty where there is none."""
    for index, word in enumerate(items):
        if isinstance(word, Word) and word.is_short_or_long(mnemonic):
            if in_place:
                return items[index + 1 :]
            after = items[index + 1] if index + 1 < len(items) else []
            return after if isinstance(after, list) else []
    return []


def word_after(items: list[Item], mnemonic: str, default: str) -> Word:
    """The word after a keyword."""
    found = next((item for _, item in following(items, mnemonic) if isinstance(item, Word)), None)
    return found if found is not None else Word(default)


def number_after(items: list[Item], mnemonic: str, default: float) -> float:
    """The number after a keyword."""
    return next((item for _, item in following(items, mnemonic) if isinstance(item, float)), default)


def string_after(items: list[Item], mnemonic: str) -> str:
    """The string after a keyword; empty where there is none."""
    return next((str(item) for _, item in following(items, mnemonic) if isinstance(item, str)), "")
