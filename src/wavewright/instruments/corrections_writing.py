"""Writing the file of corrections: whole or not at all, every other entry and every comment kept."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import FileFault, StorageFault
from wavewright.grammar.located_yaml import Node, YamlMapping, parse_tree, place_of, read_text
from wavewright.grammar.model_reading import read_model
from wavewright.instruments.corrections_file import Correction, CorrectionsFile

HEAD = "# Written by `wavewright calibrate`; applied by every run on the bench beside it.\nwavewright-corrections: 1\n"
KEY, ENTRIES, VERSION = "corrections", "entries", "wavewright-corrections"
ORDER = ("quantity", "input", "range", "middle", "probe", "probe_serial", "value", "uncertainty")  # first, for people
LAST = ("date", "due")  # must be there: of an entry that was cut, one of them is lacking
_PLAIN = re.compile(r"[A-Za-z0-9µ+.][A-Za-z0-9_ µ/%.+-]*(?<! )")  # what YAML takes for a word without quotes
_NO_WORDS = {"true", "false", "null", "yes", "no", "on", "off"}


@dataclass(frozen=True, slots=True)
class WrittenCorrections:
    """What is in the file now: the new entries, those that they took the place of, and how many were kept."""

    text: str
    new: tuple[Correction, ...]
    replaced: tuple[Correction, ...]
    kept: int


def with_corrections(path: Path, new: Sequence[Correction]) -> WrittenCorrections:
    """What the file will hold: each new correction in place of the one with the same subject; nothing is written.

    Raises
    ------
    FileFault : the file that is there cannot be read; it is never overwritten in that state.
    """
    is_there = path.exists() or path.is_symlink()
    text = read_text(path) if is_there else HEAD
    file = read_model(path, CorrectionsFile, text=text)
    subjects = {one.subject for one in new}
    replaced = [one for one in file.corrections if one.subject in subjects]
    kept = [one for one in file.corrections if one.subject not in subjects]
    dated = tuple(_with_history(one, replaced) for one in new)
    tree = parse_tree(text, str(path))
    opened = text if KEY in tree else f"{text.rstrip()}\n{KEY}:\n"
    proposal = _counted(_appended(opened, tree, {id(one) for one in replaced}, file, dated), len(kept) + len(dated))
    if not _is_said(proposal, path, [*kept, *dated]):
        proposal = _rewritten(file, [*kept, *dated])
    return WrittenCorrections(proposal, dated, tuple(replaced), len(kept))


def write_corrections(path: Path, new: Sequence[Correction]) -> WrittenCorrections:
    """Bring new corrections into the file; whoever reads it meanwhile finds the old one whole, or the new one.

    Who calls holds a lock: between reading and writing nobody else may write.

    Raises
    ------
    FileFault : the file that is there cannot be read.
    StorageFault : the folder does not take it.
    """
    written = with_corrections(path, new)
    try:
        write_whole(path, written.text)
    except OSError as fault:
        raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=str(path)) from fault
    return written


def entry_text(one: Correction) -> str:
    """A correction as it stands in the file, with its last line end."""
    found = one.model_dump(exclude_none=True)
    order = dict.fromkeys((*ORDER, *(key for key in found if key not in LAST), *LAST))
    said = {key: found[key] for key in order if key in found}
    lines = [f"{key}: {_value(value)}" for key, value in said.items() if not _is_usual(one, key, value)]
    return "".join(f"  {'-' if number == 0 else ' '} {line}\n" for number, line in enumerate(lines))


def _with_history(one: Correction, replaced: Iterable[Correction]) -> Correction:
    """The correction with what it takes the place of; of several, the latest."""
    before = [other for other in replaced if other.subject == one.subject]
    if not before:
        return one
    last = max(before, key=lambda other: other.date)
    return one.model_copy(update={"replaces": f"{last.value} of {last.date}"})


def _appended(text: str, tree: YamlMapping, gone: set[int], file: CorrectionsFile, new: Sequence[Correction]) -> str:
    """The text with the lines of some entries taken out, and new ones below the last."""
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += "\n"
    starts = [_line(item) for item in tree.list_at(KEY)]
    if starts and len(starts) == len(file.corrections):
        ends = [*starts[1:], len(lines) + 1]
        for entry, start, end in reversed(list(zip(file.corrections, starts, ends, strict=True))):
            if id(entry) in gone:
                del lines[start - 1 : end - 1]
    return "".join(lines) + "".join(entry_text(one) for one in new)


def _counted(text: str, number: int) -> str:
    """The text with how many entries it has, above the version: a file that was cut below one of them is refused."""
    said = re.search(rf"^{ENTRIES}: *\d+", text, re.MULTILINE)
    if said is not None:
        return f"{text[: said.start()]}{ENTRIES}: {number}{text[said.end() :]}"
    return re.sub(rf"^(?={VERSION}:)", f"{ENTRIES}: {number}\n", text, count=1, flags=re.MULTILINE)


def _line(item: Node) -> int:
    place = place_of(item)
    return place.line if place is not None else 0


def _is_said(text: str, path: Path, wanted: Sequence[Correction]) -> bool:
    """Whether a text, read again, has exactly these corrections, and says how many."""
    try:
        file = read_model(path, CorrectionsFile, text=text)
    except FileFault:
        return False
    found = file.corrections
    return file.entries is not None and [_said(one) for one in found] == [_said(one) for one in wanted]


def _said(one: Correction) -> tuple[object, ...]:
    return tuple((key, str(value)) for key, value in one.model_dump(exclude_none=True).items())


def _rewritten(file: CorrectionsFile, entries: Sequence[Correction]) -> str:
    """The whole file anew, where its form leaves no other way; comments are lost."""
    about = f"about: {_word(file.about)}\n" if file.about else ""
    return _counted(f"{HEAD}{about}{KEY}:\n" + "".join(entry_text(one) for one in entries), len(entries))


def _is_usual(one: Correction, key: str, value: object) -> bool:
    field = type(one).model_fields[key]
    if isinstance(value, Mapping):
        return not value
    return not field.is_required() and field.default is not None and str(field.default) == str(value)


def _value(value: object) -> str:
    if not isinstance(value, Mapping):
        return _word(value)
    return "{" + ", ".join(f"{_word(str(key))}: {_word(one)}" for key, one in value.items()) + "}"


def _word(value: object) -> str:
    text = str(value)
    is_plain = _PLAIN.fullmatch(text) and text.lower() not in _NO_WORDS
    return text if is_plain else json.dumps(text, ensure_ascii=False)
