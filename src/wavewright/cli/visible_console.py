"""A console with colours of our own that shows, and never obeys, what is in the texts it is given."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console
from rich.segment import Segment

from wavewright.cli.visible import visible


class VisibleConsole(Console):
    """Rich's console, whose own commands pass and whose contents are written out."""

    def render(self, renderable: Any, options: Any = None) -> Iterable[Segment]:
        """The pieces of what is to be printed."""
        for piece in super().render(renderable, options):
            yield piece if piece.control else Segment(visible(piece.text), piece.style)
