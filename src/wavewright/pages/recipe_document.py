"""The recipe file as a document: its text, what is wrong with it, and changes that touch nothing but what they change.

The file is the one truth. Each change is written into it, whole or not at all, and what is read back is what counts;
what somebody else wrote meanwhile wins, and no change is made against a text that is not the newest.
"""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import FileFault, Misuse, Place, StorageFault, WavewrightError
from wavewright.grammar.located_yaml import parse_tree, read_text, without_places
from wavewright.pages.protocol import RecipeMessage, ShownFault
from wavewright.pages.recipe_numbers import TurnableNumber, turnable_numbers
from wavewright.pages.turning import turned
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe

MOST_STEPS = 200  # that can be taken back


@dataclass(frozen=True, slots=True)
class RecipeText:
    """One state of the file: its text, the recipe that it is, or what is wrong with it.

    `recipe` is None where there are faults.
    """

    text: str
    recipe: Recipe | None
    faults: tuple[ShownFault, ...]


class RecipeDocument:
    """A recipe file that is followed, and changed from a page.

    Parameters
    ----------
    path : of the file.
    set : values for parameters of the recipe, by name.

    `revision` counts the texts that there were; `now` is the newest.

    Raises
    ------
    FileFault : there is no such file, or it is not text. One with faults in it can be followed.
    """

    def __init__(self, path: Path, *, set: Mapping[str, str] | None = None) -> None:
        self.path, self._set = path, dict(set or {})
        self.revision = 1
        self._undo: list[str] = []
        self._redo: list[str] = []
        self.is_from_outside = False
        self._is_missing = False
        self.now = self._read(read_text(path))
        self._numbers: tuple[TurnableNumber, ...] | None = None

    @property
    def numbers(self) -> tuple[TurnableNumber, ...]:
        """Every number that can be turned; none while the file has faults of structure."""
        if self._numbers is None:
            self._numbers = _numbers(self.now.text, self.path)
        return self._numbers

    def message(self, *, simulated: bool) -> RecipeMessage:
        """The document as the page gets it."""
        return RecipeMessage(
            simulated=simulated,
            name=self.path.name,
            path=str(self.path),
            revision=self.revision,
            text=self.now.text,
            faults=self.now.faults,
            numbers=tuple(one.shown(self.now.text) for one in self.numbers),
            undo=bool(self._undo),
            redo=bool(self._redo),
            from_outside=self.is_from_outside,
        )

    def look(self) -> bool:
        """Read the file again; whether it has changed. A file that is gone, or no text, is a fault of the document."""
        try:
            text = read_text(self.path)
        except FileFault as fault:
            if self._is_missing and self.now.faults == _shown(fault):
                return False
            self._take(RecipeText("", None, _shown(fault)))
            self._is_missing = True
            return True
        if text == self.now.text and not self._is_missing:
            return False
        self._take(self._read(text))
        return True

    def edit(self, identity: str, text: str, *, revision: int | None = None) -> None:
        """Put a text in the place of a number; Misuse says why it cannot be done, and nothing has changed then."""
        self.check_newest(revision)
        number = self._number(identity)
        wanted = text.strip()
        if not wanted:
            raise Misuse("nothing was typed", expected=f"a quantity, such as `{number.text}`")
        self.change_to(self._with(number, wanted))

    def nudge(self, identity: str, steps: int, *, revision: int | None = None) -> None:
        """Change a number by steps; errors as `edit`."""
        self.check_newest(revision)
        number = self._number(identity)
        if steps:
            self.change_to(self._with(number, turned(number.text, steps, number.how)))

    def type_text(self, text: str, *, revision: int) -> None:
        """Take a whole text that was typed, faults and all; Misuse as `edit`."""
        self.check_newest(revision)
        self.change_to(text, may_be_faulty=True)

    def undo(self, *, revision: int | None = None) -> None:
        """Take the last change from the page back; Misuse as `edit`."""
        self._step(self._undo, self._redo, "no change of this page is left to be taken back", revision)

    def redo(self, *, revision: int | None = None) -> None:
        """Make it again; Misuse as `edit`."""
        self._step(self._redo, self._undo, "nothing was taken back", revision)

    def change_to(self, text: str, *, may_be_faulty: bool = False) -> None:
        """Write another text into the file.

        Raises
        ------
        Misuse : it has faults, unless it may have; or the file has been changed, which wins.
        StorageFault : it cannot be written.
        """
        if text == self.now.text:
            return
        after = self._read(text)
        if after.faults and not may_be_faulty:
            first = after.faults[0]
            where = f"line {first.line}: " if first.line else ""
            raise Misuse(f"the change was not made: {where}{first.text}", do=first.cure)
        before = self.now.text
        self._write(text)
        self._undo = [*self._undo[-MOST_STEPS:], before]
        self._redo.clear()
        self._take(after, from_outside=False)

    def _step(self, taken: list[str], kept: list[str], nothing: str, revision: int | None) -> None:
        self.check_newest(revision)
        if not taken:
            raise Misuse(nothing)
        before, text = self.now.text, taken[-1]
        self._write(text)
        taken.pop()
        kept.append(before)
        self._take(self._read(text), from_outside=False)

    def _with(self, number: TurnableNumber, wanted: str) -> str:
        """The text with another number; Misuse where more than that would change."""
        text = self.now.text
        after = text[: number.begin] + wanted + text[number.end :]
        try:
            before, changed = (without_places(parse_tree(one, self.path.name)) for one in (text, after))
        except FileFault as fault:
            raise Misuse(f"`{wanted}` cannot stand there: {fault.what}", expected=f"such as `{number.text}`") from fault
        if any(character in wanted for character in "\n\r\t") or not _differs_only_at(number.path, before, changed):
            raise Misuse(f"`{wanted}` cannot stand there: it would change more than this number")
        return after

    def _number(self, identity: str) -> TurnableNumber:
        for one in self.numbers:
            if one.id == identity:
                return one
        raise Misuse(f"the recipe has no number `{identity}` any more", do="look at the newest text")

    def check_newest(self, revision: int | None) -> None:
        """See that a change is meant for the newest text, which is read once more.

        Raises
        ------
        Misuse : it is not; says which is.
        """
        if self.look():
            raise Misuse("the file has been changed meanwhile; that change wins", do="look at it, and repeat yours")
        if revision is not None and revision != self.revision:
            raise Misuse(
                f"the change is meant for text {revision}, and the newest is {self.revision}",
                do="look at the newest text, and repeat the change",
            )

    def _write(self, text: str) -> None:
        """Write the file, unless somebody else has changed it since it was read."""
        try:
            content = self.path.read_bytes()
        except OSError as fault:
            raise StorageFault(f"the recipe cannot be read: {fault.strerror or fault}", where=str(self.path)) from fault
        mark = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
        if content[len(mark) :] != self.now.text.encode():
            raise Misuse("the file has been changed meanwhile; that change wins", do="look at it, and repeat yours")
        try:
            write_whole(self.path, mark + text.encode())
        except OSError as fault:
            raise StorageFault(
                f"the recipe cannot be written: {fault.strerror or fault}",
                where=str(self.path),
                expected="a file and a folder that may be written to",
                do="copy it to a folder of your own, and watch the copy",
            ) from fault

    def _take(self, after: RecipeText, *, from_outside: bool = True) -> None:
        self.now, self._numbers, self._is_missing = after, None, False
        self.revision += 1
        self.is_from_outside = from_outside
        if from_outside:  # what was before it cannot be had back without undoing somebody else's work
            self._undo.clear()
            self._redo.clear()

    def _read(self, text: str) -> RecipeText:
        try:
            return RecipeText(text, parse_recipe(text, str(self.path), set=self._set), ())
        except WavewrightError as fault:
            return RecipeText(text, None, _shown(fault))


def _shown(fault: WavewrightError) -> tuple[ShownFault, ...]:
    each = fault.faults if isinstance(fault, FileFault) and fault.faults else (fault,)
    return tuple(_one(one) for one in each)


def _one(fault: WavewrightError) -> ShownFault:
    place = fault.where if isinstance(fault.where, Place) else Place("")
    cure = "; ".join(part for part in (f"expected: {fault.expected}" if fault.expected else "", fault.do) if part)
    return ShownFault(place.line, place.column, fault.what, cure)


def _numbers(text: str, path: Path) -> tuple[TurnableNumber, ...]:
    try:
        parse_tree(text, path.name)  # with its limits on depth and on aliases
    except FileFault:
        return ()
    return turnable_numbers(text)


def _differs_only_at(path: tuple[str | int, ...], before: object, after: object) -> bool:
    """Whether two trees are alike but for the word at one place, which is a word in both."""
    if not path:
        return isinstance(before, str) and isinstance(after, str)
    if isinstance(before, dict) and isinstance(after, dict):
        same = list(before) == list(after) and all(before[key] == after[key] for key in before if key != path[0])
        return same and path[0] in before and _differs_only_at(path[1:], before[path[0]], after[path[0]])
    if isinstance(before, tuple) and isinstance(after, tuple) and isinstance(path[0], int):
        same = len(before) == len(after) and all(
            one == other for place, (one, other) in enumerate(zip(before, after, strict=True)) if place != path[0]
        )
        return same and _differs_only_at(path[1:], before[path[0]], after[path[0]])
    return False
