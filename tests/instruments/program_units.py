"""A program message taken apart into its units, as an instrument of the tests does it; nothing of the driver is in it.

IEEE 488.2-1992, 7.3 and A.1.2 (from memory, not verified): units are joined by `;`, and a header that begins with `:`
starts at the root. The answers to the queries of one message come as one, joined by `;`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_UNIT = re.compile(r"""(?:[^;"']|"[^"]*"|'[^']*')+""")


def units_of(message: str) -> list[str]:
    """The units without the colon that they begin with; the message itself where it has no query."""
    if ";" not in message or "?" not in message:
        return [message]
    return [unit.strip().removeprefix(":") for unit in _UNIT.findall(message)]


def answer_of(answers: Iterable[bytes | None]) -> bytes | None:
    """One response message; None where no unit has an answer."""
    parts = [answer for answer in answers if answer is not None]
    if not parts:
        return None
    *before, last = parts
    return b"".join(part.removesuffix(b"\n") + b";" for part in before) + last
