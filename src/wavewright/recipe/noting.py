"""Noting faults of a file and going on: what readers of entries have in common."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from difflib import get_close_matches

from wavewright.errors import FileFault, Misuse, Place
from wavewright.recipe.fields import read_name
from wavewright.recipe.places import Block, Node, Row, Word, place_of


@contextmanager
def placed(faults: list[FileFault], where: Place) -> Iterator[None]:
    """Note what is refused inside as a fault of the file at that place, and go on behind the block.

    A fault with a column of its own, counted within the text that stands there, is placed at that column.
    """
    try:
        yield
    except Misuse as fault:
        inside = fault.where.column - 1 if isinstance(fault.where, Place) and fault.where.column else 0
        place = Place(where.file, where.line, where.column + inside)
        faults.append(FileFault(fault.what, where=place, expected=fault.expected, do=fault.do))


def named_entries(
    tree: Block, key: str, faults: list[FileFault], *, owner: str, form: str
) -> Iterator[tuple[Word, Block]]:
    """The entries of a block whose keys are names and whose values are mappings; what is not so is noted.

    Parameters
    ----------
    key : of the block in `tree`.
    owner : name of the measurement, for messages.
    form : how an entry is written, for messages.
    """
    if key not in tree:
        return
    entries = tree[key]
    if not isinstance(entries, Block) or not entries:
        faults.append(FileFault(f"`{key}` holds no entries", where=tree.value_place(key), expected=f"`name: {form}`"))
        return
    for name, entry in entries.items():
        place = entries.key_place(name)
        with placed(faults, place):
            read_name(name)
        if isinstance(entry, Block):
            yield Word(name, place), entry
        else:
            what = f"`{name}` in `{owner}.{key}` is no entry"
            faults.append(FileFault(what, where=place_of(entry) or place, expected=f"`{form}`"))


def unknown_names(node: Node, known: Iterable[str], *, where: Place, kind: str = "channel") -> Iterator[FileFault]:
    """A fault for each name that is not known; `node` is a name or a list of names."""
    names = list(known)
    for word in node if isinstance(node, Row) else [node]:
        if isinstance(word, Word) and word not in names:
            near = get_close_matches(word, names, 1)
            yield FileFault(
                f"there is no {kind} `{word}`",
                where=word.place or where,
                expected=one_of(names, kind=kind),
                do=f"did you mean `{near[0]}`?" if near else "",
            )


def one_of(names: Iterable[str], *, kind: str = "channel") -> str:
    """What is expected where a name stands."""
    listed = ", ".join(names)
    return f"one of {listed}" if listed else f"a {kind} of this measurement"
