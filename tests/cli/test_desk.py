"""What a person sees while a run goes on."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from wavewright.cli.desk import Desk
from wavewright.cli.progress_bar import ProgressBar


def seen(*, is_terminal: bool) -> str:
    printed = io.StringIO()
    desk = Desk(Console(file=printed, force_terminal=is_terminal, width=100), is_attended=False)
    desk.begin("rail_noise[duty=10 %]", shots=16)
    desk.step("setting the digitizer")
    desk.shot(3)
    desk.say("a line that stays")
    desk.shot(4)
    desk.close()
    return printed.getvalue()


def test_a_terminal_has_a_bar_with_the_time_that_is_left() -> None:
    told = seen(is_terminal=True)
    assert "rail_noise[duty=10 %]" in told
    assert "4 of 16 shots" in told
    assert "left" in told
    assert "a line that stays" in told


def test_a_pipe_has_lines_that_stay_and_nothing_else() -> None:
    assert seen(is_terminal=False) == "a line that stays\n"


@pytest.mark.parametrize("is_terminal", [True, False])
def test_a_bar_is_gone_after_the_block(is_terminal: bool) -> None:
    printed = io.StringIO()
    with ProgressBar(Console(file=printed, force_terminal=is_terminal, width=100), "runs") as bar:
        bar.update("recomputing", 1, 2)
        bar.update("recomputing", 2, 2)
    if is_terminal:
        assert "2 of 2 runs" in printed.getvalue()
        assert printed.getvalue().endswith("\x1b[2K")  # ECMA-48: erase in line
    else:
        assert printed.getvalue().strip() == ""
