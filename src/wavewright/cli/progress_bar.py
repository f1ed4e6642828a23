"""A bar on the terminal: what is done, how much of it, and the time that is left."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn


class ProgressBar:
    """One line that changes in place and is gone afterwards; shows nothing where `console` is not a terminal.

    Parameters
    ----------
    things : what is counted, in the plural: `shots`, `runs`.
    """

    def __init__(self, console: Console, things: str) -> None:
        self._bar = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            TextColumn("{task.completed:.0f} of {task.total:.0f} " + things, markup=False),
            TimeRemainingColumn(compact=True, elapsed_when_finished=True),
            TextColumn("left"),
            console=console,
            transient=True,
            disable=not console.is_terminal,
        )
        self._task: TaskID | None = None
        self._bar.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def update(self, text: str, done: int, total: int) -> None:
        """Say what is done now, and that this many of all are done; a total of 0 is not known yet."""
        if self._task is None:
            self._task = self._bar.add_task(text, total=total, completed=done)
        else:
            self._bar.update(self._task, description=text, completed=done, total=total)

    def stop(self) -> None:
        """Take it off the terminal."""
        self._bar.stop()
