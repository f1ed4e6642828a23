"""Nothing that comes from outside is obeyed by the terminal that it is shown on."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.cli.main import execute
from wavewright.cli.visible import visible
from wavewright.logbook.book import Logbook

TITLE = "\x1b]0;owned\x07\x1b[31mred\u202e\x9b2J"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]")


def test_commands_are_written_out_and_lines_stay() -> None:
    assert visible("a\tb\nc \x1b[31m \x9b \u202e µ Ω") == "a\tb\nc \\x1b[31m \\x9b \\u202e µ Ω"


@pytest.fixture
def book(tmp_path: Path) -> str:
    where = tmp_path / "book.sqlite"
    with Logbook(where) as opened:
        opened.enter(replace(outcome(), title=TITLE, serial=TITLE, part=TITLE, operator=TITLE))
    return str(where)


@pytest.mark.parametrize("command", ["list", "show last", "list --json", "show last --json", "find --operator x"])
def test_the_logbook_shows_what_it_holds(command: str, book: str, capsys: pytest.CaptureFixture[str]) -> None:
    execute(["logbook", *command.split(), "--logbook", book])
    said = capsys.readouterr()
    assert not OBEYED.findall(said.out + said.err)
    if "--json" in command:
        assert TITLE in json.dumps(json.loads(said.out), ensure_ascii=False).encode().decode() or TITLE in str(
            json.loads(said.out)
        ).encode().decode("unicode_escape")


def test_a_file_s_own_words_are_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recipe = tmp_path / "r.yaml"
    recipe.write_text('wavewright: 1\ntitle: x\n"\\e[31mcolour": 1\nmeasurements: {}\n', encoding="utf-8")
    assert execute(["validate", str(recipe)]) == 3
    said = capsys.readouterr()
    assert "\\x1b[31m" in said.out + said.err
    assert not OBEYED.findall(said.out + said.err)
