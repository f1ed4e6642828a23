"""`--picture`: what a command found as a picture, in the terminal or in a file; the same for every command."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wavewright.cli.output import console
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.reporting.picture import Picture
    from wavewright.running.outcome import Outcome

TERMINAL = "terminal"
FILES = (".svg", ".png")


def _checked(where: str | None) -> str | None:
    """Refuse a place that no picture can go to, before anything is measured.

    Raises
    ------
    Misuse : neither `terminal` nor a file of a kind that is drawn.
    """
    if where is not None and where != TERMINAL and Path(where).suffix.lower() not in FILES:
        raise Misuse(f"`--picture {where}`", expected=f"`{TERMINAL}`, or a file that ends in {' or '.join(FILES)}")
    return where


PictureAt = Annotated[
    str | None,
    typer.Option(
        "--picture", metavar="WHERE", help="Draw it too: `terminal`, or a file, .svg or .png.", callback=_checked
    ),
]


def show_pictures(
    pictures: Sequence[Picture], where: str, *, title: str = "", lines: Sequence[str] = (), as_json: bool = False
) -> None:
    """Draw pictures where the option says; beside JSON, what is printed goes to stderr.

    Parameters
    ----------
    title, lines : above them.
    """
    if where == TERMINAL:
        _print(pictures, [title, *lines], to_stderr=as_json)
        return
    from wavewright.plot import Plot
    from wavewright.reporting.drawing.svg_picture import svg_picture

    Plot(title, svg_picture(pictures, title=title, lines=lines)).save(where)
    print(f"wrote {where}", file=sys.stderr if as_json else sys.stdout)


def show_outcome_pictures(outcome: Outcome, where: str, *, as_json: bool = False) -> None:
    """The pictures of one measurement of a run: the one with the worst verdict of those that have a shot."""
    from wavewright.reporting.svg import drawn_measurement, headline, told_results

    one, pictures = drawn_measurement(outcome)
    lines = list(told_results(one, len(outcome.measurements)))
    show_pictures(pictures, where, title=headline(outcome, one), lines=lines, as_json=as_json)


def _print(pictures: Sequence[Picture], lines: Sequence[str], *, to_stderr: bool) -> None:
    from rich.text import Text

    from wavewright.reporting.drawing.terminal_picture import terminal_picture

    out = console(stderr=to_stderr)
    for line in filter(None, lines):
        out.print(Text(line), soft_wrap=True)
    for picture in pictures:
        for line in terminal_picture(picture, width=out.width, encoding=out.encoding):
            out.print(Text(line), soft_wrap=True)
