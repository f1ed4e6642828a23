"""The table of all figures of speed: what is missed, and how it gets into the guide's page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks import speed_table
from tests.benchmarks.speed_table import HEAD, PAGE, SpeedRow, everything, rows_of_programs, written

ROWS = [
    SpeedRow("metrics over a copy", 3.1, "at most 2.5"),
    SpeedRow("metrics over a script", 24.0, "at least 12"),
    SpeedRow("rows per second", 12345.6),
]


@pytest.mark.parametrize(
    "figure, target, is_missed",
    [
        (2.6, "at most 2.5", True),
        (2.4, "at most 2.5", False),
        (49.0, "at least 50", True),
        (1.1, "well under 1", True),
        (9, "about 2", False),
    ],
)
def test_a_figure_is_missed_on_the_wrong_side_of_its_target(figure: float, target: str, is_missed: bool) -> None:
    assert SpeedRow("", figure, target).is_missed is is_missed


def test_the_page_of_the_guide_takes_a_new_table_and_keeps_the_rest() -> None:
    page = PAGE.read_text(encoding="utf-8")
    once = written(page, ROWS, about="today")
    assert "| metrics over a script | 24.0 | at least 12 |\n| rows per second | 12,346 |  |\n" in once
    assert "\nMissed: metrics over a copy (3.10).\n" in once
    assert "\nMeasured today\n" in once
    assert once.splitlines()[0] == page.splitlines()[0]
    # written again with other figures nothing is left of the first ones, and nothing else has changed
    again = written(once, ROWS[1:], about="tomorrow")
    assert "Missed" not in again
    assert "today" not in again
    assert written(again, ROWS, about="today") == once


def test_a_page_without_the_table_is_refused() -> None:
    with pytest.raises(ValueError, match="no table"):
        written(f"# Speed\n\nnothing of {HEAD[2:6]}\n", ROWS, about="")


def test_every_program_of_the_folder_is_in_the_table_and_no_other() -> None:
    files = {
        file.stem.removeprefix("test_").removesuffix("_speed") for file in Path(__file__).parent.glob("*_speed.py")
    }
    assert set(rows_of_programs()) == files


def test_a_program_that_lacks_a_package_is_skipped_audibly(monkeypatch: pytest.MonkeyPatch) -> None:
    def lacking() -> Iterator[SpeedRow]:
        yield ROWS[0]
        raise ModuleNotFoundError("No module named 'aiohttp.web'", name="aiohttp.web")

    def broken() -> Iterator[SpeedRow]:
        raise ModuleNotFoundError("No module named 'tests.gone'", name="tests.gone")
        yield ROWS[0]

    monkeypatch.setattr(speed_table, "rows_of_programs", lambda: {"lacking": lacking, "broken": broken})
    said: list[str] = []
    assert everything(["lacking"], say=said.append) == [ROWS[0]]
    assert said[-1] == "lacking: SKIPPED, its rows are not in the table: aiohttp.web is not installed"
    with pytest.raises(ModuleNotFoundError, match="gone"):
        everything(["broken"], say=said.append)


def test_an_unknown_program_is_refused_before_anything_is_measured() -> None:
    with pytest.raises(ValueError, match=f"there are {', '.join(rows_of_programs())}"):
        everything(["links"])
