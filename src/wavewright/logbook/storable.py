"""What refuses to be stored, found before anything is measured: words of the operator, and names of files."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from datetime import datetime

from wavewright.errors import Misuse
from wavewright.logbook.evidence import LONGEST_NAME, ROOM_FOR_MARKS, folder_name

TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # Unicode Standard Annex 9, 2 †
LONGEST_WORD = 255  # bytes as UTF-8: what an index of a database and the name of a file bear
LONGEST_PATH = 4096  # bytes, with its folders: Linux takes no longer one (PATH_MAX †)


def unstorable(word: str, *, longest: int = LONGEST_WORD) -> str:
    """Why a serial number, a name or a path cannot be stored, as the end of a sentence; empty where it can.

    Parameters
    ----------
    longest : bytes as UTF-8.
    """
    try:
        size = len(word.encode())
    except UnicodeEncodeError:
        return "has bytes that are not UTF-8"
    if control := next((sign for sign in word if unicodedata.category(sign) == "Cc"), ""):
        return f"has the control character U+{ord(control):04X}"
    if turning := next((sign for sign in word if sign in TURNING), ""):
        return f"has the character U+{ord(turning):04X}, by which it would be shown in another order"
    return f"is {size} bytes long, and {longest} is the most" if size > longest else ""


def check_words(words: Mapping[str, str], *, longest: int = LONGEST_WORD) -> None:
    """Refuse what cannot be stored.

    Parameters
    ----------
    words : what each is, as a noun, and the word itself.
    longest : bytes as UTF-8.

    Raises
    ------
    Misuse : names the first.
    """
    for noun, word in words.items():
        if why := unstorable(word, longest=longest):
            raise Misuse(f"the {noun} {shown(word)} {why}", expected="printable text that UTF-8 can hold")


def unstorable_serial(serial: str, *, recipe: str) -> str:
    """Why no outcome can be kept under a serial number, as the end of a sentence; empty where one can.

    What nobody sees would make another unit of it: a byte order mark out of a file, say, or a blank at its end.
    """
    if unseen := next((sign for sign in serial if unicodedata.category(sign) == "Cf"), ""):
        return f"has the invisible character U+{ord(unseen):04X}"
    if serial != serial.strip():
        return "has a blank at its beginning or end"
    mark = folder_name(datetime(2000, 1, 1), recipe, "x").encode("utf-8", "replace")  # every start is as long as this
    return unstorable(serial, longest=LONGEST_NAME - ROOM_FOR_MARKS - len(mark))


def shown(word: str) -> str:
    """A word in backticks, with what no terminal should get written as escapes, and cut where it is long."""
    plain = ascii(word)[1:-1] if not word.isprintable() else word
    return f"`{plain if len(plain) <= 60 else plain[:57] + '…'}`"
