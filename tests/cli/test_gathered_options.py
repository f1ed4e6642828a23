"""Options that a command takes together: they stand in the place of one argument, and nothing else of it changes."""

from __future__ import annotations

from typing import Annotated

import typer
from typer.testing import CliRunner

from wavewright.cli.gathered_options import gathered

OPTIONS = {
    "low": (Annotated[int, typer.Option("--low", help="The lower end.")], 0),
    "high": (Annotated[int, typer.Option("--high", help="The upper end.")], 9),
}


@gathered("ends", OPTIONS, lambda *, low, high: (low, high))
def shown(word: str, *, before: bool = False, ends: tuple[int, int], after: bool = False) -> None:
    """Show what was given."""
    print(word, before, ends, after)


def run(*words: str) -> str:
    app = typer.Typer()
    app.command()(shown)
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    return result.output


def test_what_is_made_of_them_is_the_argument() -> None:
    assert run("x") == "x False (0, 9) False\n"
    assert run("x", "--high", "5", "--after", "--low=-3") == "x False (-3, 5) True\n"


def test_the_help_lists_them_in_the_place_of_the_argument() -> None:
    told = run("--help")
    assert "Show what was given." in told
    assert "--ends" not in told
    places = [told.index(option) for option in ("--before", "--low", "--high", "--after")]
    assert places == sorted(places)
