"""One table of names for all that a package may bring."""

from __future__ import annotations

import logging
import pkgutil
import sys
from collections.abc import Iterator
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from wavewright import registry as module
from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.registry import Registry

OURS = """
from wavewright.registry import Registry

COLOURS = Registry("colour", package="colour_box", group="test.colours")
"""


@pytest.fixture
def box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A package with a folder in it, and another package that names a module of its own in the group."""
    warm = tmp_path / "colour_box" / "warm"
    warm.mkdir(parents=True)
    (tmp_path / "colour_box" / "__init__.py").write_text(OURS)
    (warm / "__init__.py").write_text("")
    enters = "from colour_box import COLOURS\n\n\n@COLOURS.entering({name!r})\ndef make():\n    return {name!r}\n"
    (warm / "red.py").write_text(enters.format(name="red"))
    (tmp_path / "their_colours.py").write_text(enters.format(name="blue"))
    (tmp_path / "their_defect.py").write_text("1 / 0\n")
    points = EntryPoints(EntryPoint(name, f"their_{name}", "test.colours") for name in ("colours", "defect"))
    monkeypatch.setattr(module, "entry_points", lambda: points)
    forget()
    monkeypatch.syspath_prepend(str(tmp_path))
    yield tmp_path
    forget()
    for name in [name for name in sys.modules if name.startswith(("colour_box", "their_"))]:
        del sys.modules[name]


def forget() -> None:
    """What was walked and read once is walked and read again."""
    for once in (module._walk, module._installed_points, module._load, module._entering):
        once.cache_clear()


def colours() -> Registry[object]:
    return sys.modules["colour_box"].COLOURS  # type: ignore[no-any-return]


@pytest.mark.usefixtures("box")
def test_entries_of_folders_and_of_other_packages_are_found_and_a_defect_there_is_told(
    caplog: pytest.LogCaptureFixture,
) -> None:
    __import__("colour_box")
    with caplog.at_level(logging.ERROR):
        assert list(colours().everything()) == ["blue", "red"]
    assert "colour of `defect` left out" in caplog.text


@pytest.mark.usefixtures("box")
def test_a_name_is_never_taken_over() -> None:
    __import__("colour_box")
    red = colours().everything()["red"]
    with pytest.raises(Misuse, match=r"colour `red` is already defined in colour_box\.warm\.red"):
        colours().enter("red", object(), made_in="elsewhere")
    assert colours().everything()["red"] is red


@pytest.mark.usefixtures("box")
def test_a_package_is_walked_and_the_entry_points_are_read_once_for_all_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    __import__("colour_box")
    walked, read = [], []
    walk, points = pkgutil.walk_packages, module._installed_points()
    forget()
    monkeypatch.setattr(pkgutil, "walk_packages", lambda *given: walked.append(given[1]) or walk(*given))
    monkeypatch.setattr(module, "entry_points", lambda: read.append(1) or points)
    shades: Registry[object] = Registry("shade", package="colour_box", group="test.shades")
    assert list(colours().everything()) == list(colours().everything()) == ["blue", "red"]
    assert list(shades.everything()) == []
    assert walked.count("colour_box.") == 1
    assert len(read) == 1


def test_one_name_needs_one_module(box: Path) -> None:
    late = "@COLOURS.entering('late')\ndef late():\n    return 1\n\n\n"  # not as one reads it in a text
    named = 'colour = COLOURS.entering\n\n\n@colour(\n    "green"\n)\ndef make():\n    return 1\n'
    (box / "colour_box" / "green.py").write_text(f"from colour_box import COLOURS\n\n\n{late}{named}")
    __import__("colour_box")
    assert colours().get("green") is not None
    assert "colour_box.green" in sys.modules
    assert "colour_box.warm.red" not in sys.modules
    assert colours().get("late") is not None
    assert colours().get("red") is not None  # no text shows it: all modules are imported
    assert "colour_box.warm.red" in sys.modules
    assert colours().get("blue") is not None  # of another package
    assert colours().get("violet") is None


@pytest.mark.usefixtures("box")
def test_a_name_is_found_or_the_nearest_is_told() -> None:
    __import__("colour_box")
    assert colours().find("red") is colours().everything()["red"]
    with pytest.raises(Misuse, match=r"unknown colour `bleu`\n  expected: one of blue, red\n  do: did you mean `blue`"):
        colours().find("bleu")
    with pytest.raises(Misuse, match=r"unknown warm colour `blue`\n  expected: one of red$"):
        colours().find("blue", among={"red": colours().find("red")}, what="warm colour")
    with pytest.raises(Misuse, match="unknown colour `x`\n  expected: nothing: there are none"):
        colours().find("x", among={})


def test_the_nearest_names_are_asked_about_and_nothing_where_none_is_near() -> None:
    known = ["rise_time", "fall_time", "rms"]
    assert did_you_mean("rize_time", known) == "did you mean `rise_time`?"
    assert did_you_mean("ise_time", ["rise_time", "rise_times"], most=2) == "did you mean `rise_time` or `rise_times`?"
    assert did_you_mean(12, known) == ""
