"""What YAML cannot say about an instrument: a class of a few lines, named by the profile's `python:`.

Other packages (and a laboratory's own) bring such a class under the entry point group `wavewright.profiles`:

    [project.entry-points."wavewright.profiles"]
    hall-of-fields = "our_instruments.hall:HallDialect"

and the profile says `python: hall-of-fields`. The class overrides what it must; everything else stays with the YAML.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import entry_points

from wavewright.errors import FileFault
from wavewright.instruments.profile_grammar import ProfileFile
from wavewright.instruments.setting import Value
from wavewright.instruments.vocabulary import VOCABULARY, VocabularyEntry
from wavewright.waveform import Codes

GROUP = "wavewright.profiles"


class Dialect:
    """How a profile's settings and samples are put on the wire: as the YAML says. Override what it cannot say."""

    def __init__(self, grammar: ProfileFile) -> None:
        self.grammar = grammar

    def messages(self, setting: str, value: Value, values: Mapping[str, object]) -> tuple[str, ...]:
        """What is sent to set it. Must be a function of its arguments: the plan prints it without an instrument."""
        return self.grammar.settings[setting].messages(value, self._entry(setting), values)

    def queries(self, setting: str, values: Mapping[str, object]) -> tuple[str, ...]:
        """What is sent to ask for it; the last one has the answer."""
        return self.grammar.settings[setting].queries(values)

    def read(self, setting: str, answer: str, values: Mapping[str, object]) -> float | str | bool:
        """The value in SI units and our words.

        Raises
        ------
        BadAnswer : the answer does not say.
        """
        return self.grammar.settings[setting].read(answer, self._entry(setting), values)

    def codes(self, codes: Codes) -> Codes:
        """The samples of one record, as they came, shape (n,); for packings that no type of NumPy describes."""
        return codes

    def _entry(self, setting: str) -> VocabularyEntry:
        assert self.grammar.role is not None  # checked when the profile was read
        return VOCABULARY[self.grammar.role][setting]


def load_dialect(grammar: ProfileFile, *, where: str) -> Dialect:
    """The class that the profile names, or the plain one.

    Raises
    ------
    FileFault : no such entry point, or it does not give a Dialect.
    """
    if not grammar.python:
        return Dialect(grammar)
    points = {point.name: point for point in entry_points(group=GROUP)}
    if grammar.python not in points:
        raise FileFault(
            f"`python: {grammar.python}` is not installed",
            where=where,
            expected=f"one of {', '.join(points)}" if points else f"an entry point in the group `{GROUP}`",
        )
    try:
        made = points[grammar.python].load()(grammar)
    except Exception as fault:  # other people's code
        raise FileFault(f"`python: {grammar.python}` does not load: {fault}", where=where) from fault
    if not isinstance(made, Dialect):
        raise FileFault(f"`python: {grammar.python}` is not a dialect", where=where, expected="a subclass of `Dialect`")
    return made
