"""`ask:`: what is declared of a unit and its surroundings: work order, fixture, firmware, temperature."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from wavewright.buses.search.patterns import Pattern as Compiled
from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import YamlMapping, place_of
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal
from wavewright.grammar.word_fields import Line, LocatedText, Name, Pattern
from wavewright.nearest import did_you_mean
from wavewright.quantities import Interval, read_interval, read_quantity
from wavewright.unit_symbols import DEGREE_SIGNS

if TYPE_CHECKING:
    from wavewright.recipe.measurement import Measurement

LONGEST_ANSWER = 255  # bytes as UTF-8, as of a serial number: what an index of a database bears
UNIT = re.compile(r"%|°?[^\W\d_][^\s\d]{0,15}")
GROUP = "value"  # of a pattern on a line: what of the match is the answer


class Once(StrEnum):
    """How often it is asked."""

    BATCH = "batch"
    UNIT = "unit"


@dataclass(frozen=True, slots=True)
class GivenAnswer:
    """An answer that an entry takes: as it is shown and kept, and in SI if it is a number."""

    text: str
    value: float | None = None
    unit: str = ""


class AskEntry(GrammarModel):
    """One declared field: what is asked, what an answer must be, and where it comes from if nobody is asked."""

    about: Line = Field(description="what is asked, in a few words", examples=["Work order on the traveller"])
    pattern: Pattern | None = Field(
        default=None, description="regular expression that the whole answer must match", examples=["WO-[0-9]{6}"]
    )
    unit: LocatedText | None = Field(
        default=None,
        description="unit of an answer that is a number; an answer without a unit is in this one",
        examples=["degC", "%"],
    )
    within: LocatedText | None = Field(
        default=None,
        description="what an answer with a unit must lie within",
        examples=["15 degC .. 35 degC", "at most 75 %"],
    )
    once: Once = Field(default=Once.UNIT, description="unit: asked for each unit; batch: once at the start of a batch")
    read: LocatedText | None = Field(
        default=None,
        description="a reading or a decoded line of the recipe that answers it; then nobody is asked",
        examples=["climate.air", "greeting.console"],
    )
    text: Pattern | None = Field(
        default=None,
        description="of a decoded line that is read: regular expression on its bytes as text; the answer is the group "
        "`value`, or else the whole match",
        examples=["FW (?P<value>[0-9]+[.][0-9]+)"],
    )
    hex: Pattern | None = Field(
        default=None,
        description="of a decoded line that is read: regular expression on its bytes as hexadecimal pairs with a blank "
        "between; the answer as for `text`",
        examples=["11 03 02 (?P<value>.. ..)"],
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.unit is None and self.within is not None:
            raise _refused(self.within, "`within` without `unit`", "`unit: degC` beside it, for example")
        if self.unit is not None:
            if self.pattern is not None:
                raise _refused(self.unit, "`unit` beside `pattern`", "`unit` for a number, or `pattern` for a text")
            if not UNIT.fullmatch(self.unit.strip()):
                raise _refused(self.unit, f"`{self.unit}` is not a unit", "such as `degC`, `%` or `V`")
        if self.within is not None:
            try:
                read_interval(_spelt(self.within), unit=self.in_unit)
            except Misuse as fault:
                raise _refused(self.within, fault.what, fault.expected, fault.do) from fault
        if self.text is not None and self.hex is not None:
            raise _refused(self.read, "`text` and `hex`", "one of them")
        if self.read is None and (self.text is not None or self.hex is not None):
            raise _refused(None, "`text` or `hex` without `read`", "`read: measurement.line` beside it")
        if self.read is not None and "once" in self.model_fields_set:
            raise _refused(self.read, "`once` beside `read`", "one of them: what is read is read for each unit")
        return self

    @property
    def in_unit(self) -> str:
        """The unit of its number, as quantities name it: a ratio for `%`; empty for a text."""
        unit = _spelt(self.unit or "").strip()
        return "1" if unit == "%" else unit

    @property
    def is_asked(self) -> bool:
        """Whether a person, the command line or the environment answers it."""
        return self.read is None

    @property
    def expected(self) -> str:
        """What an answer must be, in words."""
        if self.unit is not None:
            within = f", {self.within}" if self.within else ""
            return f"a number in {self.unit}{within}"
        return f"a text that matches `{self.pattern}`" if self.pattern else "a text in one line"

    def answer(self, text: str) -> GivenAnswer:
        """The answer that a text is.

        Raises
        ------
        Misuse : it is none; says what is expected.
        """
        words = text.strip()
        if not words:
            raise Misuse("no answer", expected=self.expected)
        if not words.isprintable() or "\ufffd" in words:
            raise Misuse(f"`{ascii(words)[1:-1][:60]}` has characters that cannot be shown", expected=self.expected)
        if len(words.encode()) > LONGEST_ANSWER:
            raise Misuse(f"an answer of {len(words.encode())} bytes", expected=f"at most {LONGEST_ANSWER}")
        if self.unit is None:
            if self.pattern is not None and not Compiled(self.pattern).fullmatch(words):
                raise Misuse(f"`{words}` does not match `{self.pattern}`", expected=self.expected)
            return GivenAnswer(words)
        unit = str(self.unit).strip()
        spelt = f"{words} {unit}" if _is_bare(words) else words
        try:
            value = read_quantity(_spelt(spelt), unit=self.in_unit).value
        except Misuse as fault:
            raise Misuse(fault.what, expected=self.expected, do=fault.do) from fault
        self.check_number(value, shown=spelt)
        return GivenAnswer(spelt, value, self.in_unit)

    def check_number(self, value: float, *, shown: str) -> None:
        """Refuse a number that is not within what it must be; Misuse so."""
        if self.within is not None and value not in self._interval:
            raise Misuse(f"`{shown}` is not within {self.within}", expected=self.expected)

    @property
    def _interval(self) -> Interval:
        return read_interval(_spelt(self.within or ""), unit=self.in_unit)


AskEntries = Annotated[
    dict[Name, AskEntry],
    Field(
        default_factory=dict,
        description="declared fields of a run, by name: asked of the operator, given with --answer, or read",
        examples=[{"work_order": {"about": "Work order on the traveller", "pattern": "WO-[0-9]{6}", "once": "batch"}}],
    ),
]


def ask_faults(
    entries: Mapping[str, AskEntry], tree: YamlMapping, measurements: Iterable[Measurement]
) -> list[FileFault]:
    """What is wrong with entries beside each of them alone: names that differ in case only, sources there are not.

    Parameters
    ----------
    tree : of the whole recipe.
    """
    faults = []
    written, seen = tree.mapping_at("ask"), dict[str, str]()
    for name in written:
        other = seen.setdefault(str(name).lower(), str(name))
        if other != str(name):
            what = f"`{name}` and `{other}` differ in capital letters only"
            faults.append(FileFault(what, where=written.key_place(name), expected="names that differ otherwise"))
    found = list(measurements)
    units = {f"{one.label}.{name}": entry.unit for one in found for name, entry in one.compute.items()}
    units |= {f"{one.label}.{entry.name}": entry.unit for one in found for entry in one.meterings}
    lines = [f"{one.label}.{name}" for one in found for name in one.decode]
    for name, entry in entries.items():
        if entry.read is None:
            continue
        source, where = str(entry.read).strip(), place_of(entry.read) or Place("")
        is_line = entry.text is not None or entry.hex is not None
        known = lines if is_line else list(units)
        if source not in known:
            kind = "decoded line" if is_line else "reading"
            do = did_you_mean(source, known)
            if source in lines:
                do = "add `text` or `hex` with a pattern for what the line says"
            listed = f"one of {', '.join(known)}" if known else f"a {kind} of a measurement"
            faults.append(FileFault(f"there is no {kind} `{source}`", where=where, expected=listed, do=do))
        elif not is_line and entry.unit is None:
            what = f"`{name}` is a text, and `{source}` is a number"
            faults.append(FileFault(what, where=where, expected=f"`unit: {units[source]}` beside it"))
        elif not is_line and units[source] != entry.in_unit:
            what = f"`{source}` is in {units[source] or 'no unit'}, and `{name}` in {entry.unit}"
            faults.append(FileFault(what, where=place_of(entry.unit) or where, expected=f"`{units[source]}`"))
    return faults


def _refused(at: str | None, what: str, expected: str, do: str = "") -> Exception:
    return refusal(FileFault(what, where=(place_of(at) if at is not None else None) or "", expected=expected, do=do))


def _spelt(text: str) -> str:
    """A text with the sign for degrees as quantities write it."""
    for sign in DEGREE_SIGNS:
        text = text.replace(sign, "degC")
    return text


def _is_bare(words: str) -> bool:
    """Whether an answer is a number without a unit."""
    return not any(letter.isalpha() or letter in "%°" for letter in words)
