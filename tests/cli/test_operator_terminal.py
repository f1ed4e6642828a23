"""What a person sees while a run goes on."""

from __future__ import annotations

import io
import sys

import pytest
from rich.console import Console

from wavewright.cli.batch import Pace
from wavewright.cli.operator_terminal import OperatorTerminal
from wavewright.cli.output import LaterConsole, console
from wavewright.cli.progress_bar import ProgressBar


def seen(*, is_terminal: bool) -> str:
    printed = io.StringIO()
    desk = OperatorTerminal(Console(file=printed, force_terminal=is_terminal, width=100), is_attended=False)
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


def test_a_batch_of_known_length_says_what_is_left() -> None:
    # given a clock: units that take 60 s each, and one that is skipped
    now = [0.0]
    pace = Pace(5, clock=lambda: now[0])
    assert pace.begin() == "unit 1 of 5"  # nothing is known yet
    now[0] += 60.0
    pace.end()
    assert pace.begin() == "unit 2 of 5, 4 min left"  # math: four units of 60 s
    assert pace.begin() == "unit 3 of 5, 3 min left"  # the second was skipped
    now[0] += 120.0
    pace.end()
    assert pace.begin() == "unit 4 of 5, 3 min left"  # math: two units of 90 s
    assert Pace(0).begin() == ""  # from a scanner: nobody knows how many there are


def test_the_bar_of_a_unit_says_which_it_is() -> None:
    printed = io.StringIO()
    desk = OperatorTerminal(Console(file=printed, force_terminal=True, width=100), is_attended=False)
    desk.heading = "unit 2 of 5, 4 min left"
    desk.begin("rail_noise", shots=16)
    desk.close()
    assert "unit 2 of 5, 4 min left; rail_noise" in printed.getvalue()


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


@pytest.mark.parametrize(
    "text",
    [
        "a line",
        "two\nlines, and Ω [bold]not bold[/bold] :smile:",
        "a\ttab",
        "\x1b[31mred\x07",
        "",
        "long " * 60,
        "end  ",
    ],
)
def test_a_pipe_gets_the_same_bytes_whether_or_not_a_console_is_made_for_them(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    printed = []
    for make in (LaterConsole, lambda: console(stderr=True)):
        monkeypatch.setattr(sys, "stderr", io.StringIO())
        desk = OperatorTerminal(make(), is_attended=False)
        desk.say(text)
        desk.confirm(f"CAUTION: {text}")
        printed.append(sys.stderr.getvalue())  # type: ignore[attr-defined]
    assert printed[0] == printed[1]
    assert printed[0]


def test_whoever_asks_for_colours_in_a_pipe_gets_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    OperatorTerminal(LaterConsole(), is_attended=False).confirm("CAUTION: hot")
    assert "\x1b[" in sys.stderr.getvalue()  # type: ignore[attr-defined]
