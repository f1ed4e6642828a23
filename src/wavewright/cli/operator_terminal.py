"""The operator's desk on a terminal: prompts are confirmed with Enter, progress is shown on stderr."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.cli.output import LaterConsole
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from rich.console import Console

    from wavewright.cli.progress_bar import ProgressBar
    from wavewright.running.result import MeasurementOutcome


LONGEST_NOTE = 1000  # characters


class OperatorTerminal:
    """Prompts and progress of one run; both on stderr, so that stdout has the result and nothing else.

    Parameters
    ----------
    console : on stderr; one that is made only if something is drawn, or one that is there.
    is_attended : whether somebody confirms; else every text is shown and taken as confirmed.
    """

    def __init__(self, console: Console | LaterConsole, *, is_attended: bool) -> None:
        self._at, self.is_attended = console, is_attended
        self._bar: ProgressBar | None = None
        self._notes: list[str] = []
        self._label, self._shots, self._done = "", 0, 0
        self.heading = ""  # before the label of each measurement: which unit of a batch it is

    def confirm(self, text: str) -> None:
        """Show a text and wait for Enter."""
        self._quiet()
        self._print(text, style="bold yellow" if text.startswith("CAUTION") else "")
        if not self.is_attended:
            return
        self._console.print("Press Enter to continue (a text before it is kept as a note), Ctrl-C to stop ", end="")
        typed = sys.stdin.readline()
        if not typed:  # the end of the input: nobody is there
            raise Misuse("no confirmation: end of input", do="give --yes for an unattended run")
        if noted := "".join(sign for sign in typed if sign.isprintable()).strip():
            self._notes.append(noted[:LONGEST_NOTE])

    def take_notes(self) -> list[str]:
        """What was typed before Enter since this was asked last."""
        notes, self._notes = self._notes, []
        return notes

    def show_picture(self, path: Path) -> None:
        """Show where a picture is; a terminal that can makes it a link."""
        from rich.style import Style
        from rich.text import Text

        self._quiet()
        shown = "".join(sign if sign.isprintable() else "?" for sign in str(path))
        self._console.print(Text("picture: ").append(shown, style=Style(link=path.as_uri())), soft_wrap=True)

    @property
    def can_ask(self) -> bool:
        """Whether somebody is there who answers: at a terminal, and not told otherwise."""
        return self.is_attended and sys.stdin.isatty()

    def ask(self, text: str) -> str:
        """Show what is asked and return the line that is typed."""
        self._quiet()
        self._console.print(text, end="", markup=False, highlight=False, soft_wrap=True)
        typed = sys.stdin.readline()
        if not typed:
            raise Misuse("no answer: end of input", do="give answers with --answer for an unattended run")
        return typed

    def say(self, text: str) -> None:
        """Show a text."""
        self._print(text)

    def begin(self, label: str, *, shots: int) -> None:
        """A measurement begins."""
        self._label, self._shots, self._done = label, shots, 0
        self._show("")

    def step(self, text: str) -> None:
        """Something that takes a while begins."""
        self._show(text)

    def shot(self, number: int) -> None:
        """This number of shots has been taken."""
        self._done = number
        self._show("")

    def end(self, outcome: MeasurementOutcome) -> None:
        """A measurement has ended: a line that stays."""
        self._quiet()
        self._print(f"{self._label}: {outcome.verdict or 'recorded'}{f', {outcome.error}' if outcome.error else ''}")

    def close(self) -> None:
        """Leave the terminal as it was."""
        self._quiet()

    def _show(self, text: str) -> None:
        """On a terminal a bar in one line; elsewhere nothing, since lines that stay are for what stays."""
        if not self._at.is_terminal:
            return
        from wavewright.cli.progress_bar import ProgressBar

        if self._bar is None:
            self._bar = ProgressBar(self._console, "shots")
        label = f"{self.heading}; {self._label}" if self.heading else self._label
        self._bar.update(f"{label}: {text}" if text else label, self._done, self._shots)

    def _quiet(self) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    @property
    def _console(self) -> Console:
        return self._at.console if isinstance(self._at, LaterConsole) else self._at

    def _print(self, text: str, style: str = "") -> None:
        if isinstance(self._at, LaterConsole) and self._at.is_written(text):
            return
        from rich.text import Text

        self._console.print(Text(text, style=style), soft_wrap=True)
