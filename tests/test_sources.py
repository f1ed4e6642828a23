"""A source is named where a check stands; no check points to a list that is not here."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import wavewright

TESTS = Path(__file__).parent
# A letter and a number, as the rows of a table have them, in a comment, an id or the name of a test.
ROW = re.compile(r'(?:#[^"\n]*?\b|def test_(?=[bs]\d)|["\'])([BSbs]\d{2,3})(?=[\s,:;_.)-])(?! [0-9A-F]{2}\b)')
NO_ROWS = {"B3", "B4"}  # factors of control charts


@pytest.mark.parametrize("path", sorted(TESTS.rglob("*.py")), ids=lambda path: str(path.relative_to(TESTS)))
def test_no_check_is_known_by_the_number_of_a_row(path: Path) -> None:
    text = re.sub(r"# noqa.*", "", path.read_text(encoding="utf-8"))
    found = set(ROW.findall(text)) - NO_ROWS
    assert path == Path(__file__) or not found, f"say the source instead: {found}"


SOURCES = sorted(path for kind in ("*.py", "*.yaml", "*.md") for path in Path(wavewright.__file__).parent.rglob(kind))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.name)
def test_a_clause_that_was_not_checked_has_a_dagger_and_no_story(path: Path) -> None:
    text = " ".join(path.read_text(encoding="utf-8").split())
    stories = r"from memory|not verified|seen in (print|a reprint)|second-hand|text (was )?not (seen|read)| \(seen\)"
    stories += r"|own list was not seen|as open (code|drivers)|transcribed in public|component data|HC-type"
    assert not re.search(stories, text, re.IGNORECASE)
