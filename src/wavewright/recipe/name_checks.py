"""What the entries of a measurement may refer to, and the faults that are found in them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from pydantic import BaseModel

from wavewright.buses.catalogue import vocabulary
from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import Node, YamlList, YamlMapping, YamlScalar, place_of
from wavewright.grammar.model_reading import validated
from wavewright.grammar.word_fields import read_name
from wavewright.nearest import did_you_mean
from wavewright.recipe.decoded_line import Decoding

if TYPE_CHECKING:
    from wavewright.buses.vocabulary import Vocabulary

M = TypeVar("M", bound=BaseModel)

UNKNOWN = "unknown"  # stands for the unit of an expression that cannot be read


@dataclass(slots=True)
class NameChecks:
    """What the entries of one measurement may refer to, and what is wrong with them; it grows while they are read.

    Parameters
    ----------
    owner : name of the measurement.
    units : unit of every channel, derived ones included, by name.
    lines : names of the decoded lines; decodings : those of them that could be read, by name.
    earlier : names of the channels of every measurement above this one, by name of the measurement.
    faults : what is wrong, in the order in which it was found.
    """

    owner: str
    units: dict[str, str] = field(default_factory=dict)
    lines: tuple[str, ...] = ()
    decodings: dict[str, Decoding] = field(default_factory=dict)
    earlier: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    faults: list[FileFault] = field(default_factory=list)

    def says(self, line: str) -> Vocabulary | None:
        """All that the frames of a decoded line can say; None where it is not known."""
        decoding = self.decodings.get(line)
        return None if decoding is None else vocabulary(decoding.bus, decoding.then)

    def note_fault(self, what: str, *, where: Place, expected: str = "", do: str = "") -> None:
        """Note a fault and go on."""
        self.faults.append(FileFault(what, where=where, expected=expected, do=do))

    @contextmanager
    def faults_placed_at(self, where: Place) -> Iterator[None]:
        """Note what is refused inside at that place, and go on after the block.

        A fault with a column of its own, counted within the text that is there, is placed at that column.
        """
        try:
            yield
        except Misuse as fault:
            inside = fault.where.column - 1 if isinstance(fault.where, Place) and fault.where.column else 0
            place = Place(where.file, where.line, where.column + inside)
            self.note_fault(fault.what, where=place, expected=fault.expected, do=fault.do)

    def entries(self, tree: YamlMapping, key: str, *, form: str) -> Iterator[tuple[YamlScalar, YamlMapping]]:
        """The entries of a block whose keys are names and whose values are mappings; what is not so is noted.

        Parameters
        ----------
        key : of the block in `tree`.
        form : how an entry is written, for messages.
        """
        if key not in tree:
            return
        block = tree.mapping_at(key)
        if not block:
            self.note_fault(f"`{key}` has no entries", where=tree.value_place(key), expected=f"`name: {form}`")
        for name, entry in block.items():
            place = block.key_place(name)
            with self.faults_placed_at(place):
                read_name(name)
            if isinstance(entry, YamlMapping):
                yield YamlScalar(name, place), entry
            else:
                what = f"`{name}` in `{self.owner}.{key}` is not an entry"
                self.note_fault(what, where=place_of(entry) or place, expected=f"`{form}`")

    def validated(self, entry: YamlMapping, model: type[M], *path: str) -> M | None:
        """An entry as an instance of its model; None if it is none, and then what is wrong is noted."""
        try:
            return validated(entry, model, owner=".".join(("measurements", self.owner, *path)))
        except FileFault as fault:
            self.faults.extend(fault.faults)
            return None

    def check_names(self, node: Node, known: Iterable[str], *, where: Place, kind: str = "channel") -> None:
        """Note each name that is not known; `node` is a name or a list of names."""
        names = list(known)
        for word in node if isinstance(node, YamlList) else [node]:
            if isinstance(word, YamlScalar) and word not in names:
                do = did_you_mean(word, names)
                self.note_fault(
                    f"there is no {kind} `{word}`", where=word.place or where, expected=one_of(names, kind), do=do
                )


def one_of(names: Iterable[str], kind: str = "channel") -> str:
    """What is expected in the place of a name."""
    listed = ", ".join(names)
    return f"one of {listed}" if listed else f"a {kind} of this measurement"
