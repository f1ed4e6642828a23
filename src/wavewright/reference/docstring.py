"""Docstrings as Markdown: sections become headings, drawings stay as they are drawn, parameters become a table."""

from __future__ import annotations

import inspect
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

_UNDERLINE = re.compile(r"^-{3,}$")
_ITEM = re.compile(r"^(?P<names>\*{0,2}\w+(?:, \*{0,2}\w+)*) : (?P<text>.*)$")
_CODE = re.compile(r"(`[^`]*`)")


def sections(documented: Any) -> dict[str, str]:
    """The sections of a docstring by heading, as they are there; what comes before the first is under ""."""
    return parts(inspect.getdoc(documented) or "")


def parts(text: str) -> dict[str, str]:
    """The sections of the text of a docstring."""
    lines = text.splitlines()
    found: dict[str, list[str]] = {"": []}
    heading = ""
    for line, following in zip(lines, [*lines[1:], ""], strict=True):
        if _UNDERLINE.match(following) and line and not line.startswith(" "):
            heading = line
            found[heading] = []
        elif not _UNDERLINE.match(line):
            found[heading].append(line)
    return {name: "\n".join(text).strip("\n") for name, text in found.items()}


def items(text: str) -> dict[str, str]:
    """`name : text` entries of a section, one text per name; several can be in a line, `a : …; b : …`."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in re.sub(r"; (?=\w+(?:, \w+)* : )", "\n", text).splitlines():
        if match := _ITEM.match(line):
            names = [name.strip("*") for name in match["names"].split(", ")]
            found |= dict.fromkeys(names, match["text"])
        else:
            found |= {name: f"{found[name]} {line.strip()}".strip() for name in names}
    return found


def prose(text: str) -> str:
    """Plain text of a docstring as Markdown: signs that Markdown would read are kept, indented blocks are verbatim."""
    blocks = [_block(block) for block in re.split(r"\n\s*\n", text) if block.strip()]
    return "\n\n".join(blocks)


def verbatim(text: str, language: str = "text") -> str:
    """A fenced block."""
    return f"```{language}\n{textwrap.dedent(text.strip(chr(10)))}\n```"


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table of cells that are Markdown."""
    lines = [list(headings), ["---"] * len(headings), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |" for cells in lines)


def escaped(text: str) -> str:
    """A line of plain text in Markdown; what is between grave accents stays code."""
    parts = _CODE.split(text)
    return "".join(
        part if part.startswith("`") else re.sub(r"([*<\[\]])|(?<!\w)(_)", r"\\\1\2", part) for part in parts
    )


def page(documented: Any, *, names: Mapping[str, str], leave_out: Sequence[str] = ()) -> str:
    """A whole docstring as Markdown; `names` gives sections the headings that a reader of the reference knows."""
    return rendered(sections(documented), names=names, leave_out=leave_out)


def rendered(of: Mapping[str, str], *, names: Mapping[str, str], leave_out: Sequence[str] = ()) -> str:
    """Sections as Markdown."""
    told = []
    for heading, text in of.items():
        if heading in leave_out or not text:
            continue
        if heading:
            told.append(f"## {names.get(heading, heading)}")
        if heading == "Examples":
            told.append(verbatim(text, "python"))
        elif heading and (entries := items(text)):
            told.append("\n".join(f"- `{name}`: {escaped(entry)}" for name, entry in entries.items()))
        else:
            told.append(prose(text))
    return "\n\n".join(told)


def _block(block: str) -> str:
    lines = block.strip("\n").splitlines()
    if lines[0].startswith("|"):
        return "\n".join(lines)
    if all(line.startswith("  ") for line in lines):
        return verbatim(block.strip("\n"))
    return "\n".join(line if re.match(r"\s*- ", line) else escaped(line) for line in lines)
