"""What to tell somebody whose text is not YAML: the parser's complaint, the line, and the usual cause."""

from __future__ import annotations

import yaml

from wavewright.errors import FileFault, Place

# A part of the parser's complaint -> what it comes from, what to do. The first that fits is taken.
CAUSES = (
    (
        "mapping values are not allowed here",
        "a second `:` in one line, or none in the line above",
        "put a text that contains `: ` in quotes",
    ),
    ("sequence entries are not allowed", "a list that begins in the line of its key", "begin it on a line of its own"),
    ("block scalar", "`>` and `|` begin a text of several lines", "write `at least …`, or put the value in quotes"),
    ("chomping", "`>` and `|` begin a text of several lines", "write `at least …`, or put the value in quotes"),
    *(
        (said, "a backslash in double quotes begins a special sign", "write a path with /, or in single quotes")
        for said in ("escape character", "escape sequence", "hexdecimal number")
    ),
    ("quoted scalar", "a quote that is never closed", "close it"),
    ("unexpected end of stream", "a quote that is never closed", "close it"),
    ("but got '<stream end>'", "a bracket that is never closed", "close it"),
    (
        "expected ',' or",
        "a bracket that is not closed, or a comma that is missing",
        "close the bracket, or add the comma",
    ),
    ("expected <block end>", "a line that is not indented as its neighbours are", "line it up with the keys above it"),
    ("could not find expected ':'", "a key without `:`", "write `key: value`"),
    ("cannot start any token", "a sign that cannot begin a value", "put the value in quotes"),
    ("but found '<stream end>'", "a bracket that is never closed", "close it"),
    ("expected '<document start>'", "a closing bracket too many", "take it out"),
)


def syntax_fault(fault: yaml.YAMLError, text: str, file: str) -> FileFault:
    """The parser's complaint as a fault of ours, with its place."""
    if isinstance(fault, yaml.reader.ReaderError):
        before = text[: fault.position]
        place = Place(file, before.count("\n") + 1, len(before) - before.rfind("\n"))
        return FileFault(
            f"character U+{ord(text[fault.position]):04X} is not text",
            where=place,
            expected="letters, digits and punctuation",
        )
    if not isinstance(fault, yaml.MarkedYAMLError) or fault.problem_mark is None:
        return FileFault("not YAML", where=Place(file), expected="YAML")
    problem, mark = f"{fault.context or ''}: {fault.problem or ''}", fault.problem_mark
    lines = text.split("\n")
    line = lines[mark.line] if mark.line < len(lines) else ""
    place = Place(file, mark.line + 1, mark.column + 1)
    if line[mark.column : mark.column + 1] == "\t":
        return FileFault("a tab", where=place, expected="spaces only", do="replace each tab by two spaces")
    shown = f"`{line.strip()[:60]}` is not YAML" if line.strip() else "the text ends too early"
    for part, cause, do in CAUSES:
        if part in problem:
            return FileFault(f"{shown}: {cause}", where=place, expected="`key: value`, lists and words", do=do)
    return FileFault(f"{shown}: {fault.problem}", where=place, expected="`key: value`, lists and words")
