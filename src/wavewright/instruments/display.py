"""The role `display`: the operator's screen, which says what to do before a measurement."""

from __future__ import annotations

from typing import ClassVar

from wavewright.instruments.instrument import Instrument
from wavewright.instruments.vocabulary import Role


class Display(Instrument):
    """Shows one text at a time."""

    role: ClassVar[Role] = Role.DISPLAY

    def show(self, text: str) -> None:
        """Show a text; signs that no 7-bit line can carry are replaced, since it is for reading and not for keeping.

        Raises
        ------
        Complaint, NoAnswer, BadAnswer, LinkLost
        """
        plain = "".join(sign if sign.isascii() and sign.isprintable() else "?" for sign in " ".join(text.split()))
        self.set("text", plain)
        self.check_errors("showing a text")
