"""DEVELOPERS.md as blocks: what is to be typed, what is then printed, which files are written and changed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "DEVELOPERS.md"
_SECTION_OR_BLOCK = re.compile(
    r"^## (?P<section>[^\n]+)$|^```(?P<kind>\w+)(?: (?P<name>[^\n]+))?\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL
)


@dataclass(frozen=True)
class Block:
    """One fenced block.

    Parameters
    ----------
    kind : the first word after the fence: sh, text, yaml, diff, python, toml.
    name : the file that it is, or changes; empty where it is none.
    begin, end : where its text lies in the document, in characters.
    """

    kind: str
    name: str
    text: str
    section: str
    begin: int
    end: int


def blocks(section: str, *, document: str | None = None) -> list[Block]:
    """The blocks of a section, in order."""
    text = DOCUMENT.read_text(encoding="utf-8") if document is None else document
    found, current = [], ""
    for match in _SECTION_OR_BLOCK.finditer(text):
        if match["section"]:
            current = match["section"]
        else:
            begin, end = match.span("text")
            found.append(Block(match["kind"], match["name"] or "", match["text"], current, begin, end))
    chosen = [block for block in found if block.section == section]
    if not chosen:
        raise LookupError(f"no blocks in the section `{section}`")
    return chosen


def changed(text: str, difference: str) -> str:
    """A text with a difference applied: ` ` stays, `-` goes, `+` comes; `@@` parts places. Each must be there once.

    Raises
    ------
    LookupError : the lines that stay and go are not in the text, or more than once.
    """
    lines = text.splitlines()
    for part in re.split(r"^@@.*\n", difference, flags=re.MULTILINE):
        given = [(line[:1] or " ", line[1:]) for line in part.splitlines()]
        old = [line for sign, line in given if sign != "+"]
        new = [line for sign, line in given if sign != "-"]
        places = [place for place in range(len(lines)) if lines[place : place + len(old)] == old]
        if not old or len(places) != 1:
            raise LookupError(f"{len(places)} places for\n{part}")
        lines[places[0] : places[0] + len(old)] = new
    return "\n".join(lines) + "\n"
