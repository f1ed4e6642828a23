"""Declared fields of a run: answers to what a recipe asks, before anything is sent or from readings."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from wavewright.buses.frame_bytes import clean_strings
from wavewright.buses.search.patterns import Pattern, PatternMatch
from wavewright.errors import Misuse, NotMeasurable
from wavewright.judgement.shown import show_reading
from wavewright.nearest import did_you_mean
from wavewright.recipe.ask import GROUP, AskEntry, GivenAnswer, Once

if TYPE_CHECKING:
    from wavewright.recipe.measurement import Measurement
    from wavewright.running.result import Result
    from wavewright.running.shot import ExaminedShot

VARIABLE = "WAVEWRIGHT_ANSWER_"  # and the field's name in capital letters
TYPED, GIVEN = "typed", "given"


@dataclass(frozen=True, slots=True)
class Declared:
    """One declared field of a run.

    Parameters
    ----------
    text : as it is shown.
    value, unit : in SI, where it is a number; None and empty for a text.
    source : `typed`, `given`, the name of an environment variable, or `read from measurement.entry`.
    """

    text: str
    value: float | None = None
    unit: str = ""
    source: str = GIVEN

    @property
    def shown(self) -> str:
        """The text, and where it comes from unless somebody typed it."""
        return self.text if self.source in (TYPED, GIVEN) else f"{self.text} ({self.source})"


@runtime_checkable
class Asking(Protocol):
    """An operator's desk that can ask as well."""

    @property
    def can_ask(self) -> bool:
        """Whether somebody is there who answers."""

    def ask(self, text: str) -> str:
        """Show what is asked and return what is typed; Misuse where nobody answers any more."""

    def say(self, text: str) -> None:
        """Show a text that asks for nothing."""


def answered(
    entries: Mapping[str, AskEntry],
    given: Mapping[str, str | Declared],
    desk: object = None,
    *,
    only: Once | None = None,
    environment: Mapping[str, str] = os.environ,
) -> dict[str, str | Declared]:
    """An answer to every entry that is not read: given, from the environment, or else asked at the desk.

    Parameters
    ----------
    given : by name, answers as text, or declared fields of a batch, which were checked at its start.
    only : the others are only looked for: asked later, if somebody can be asked.

    Raises
    ------
    Misuse : answers that do not fit, all of them, or answers that are missing where nobody can be asked, all of them;
        an answer to what is not asked.
    """
    found: dict[str, str | Declared] = {}
    wrong: list[Misuse] = []
    for name in given:
        if name not in entries:
            raise Misuse(
                f"the recipe does not ask for `{name}`",
                expected=f"one of {', '.join(entries)}" if entries else "a recipe with `ask`",
                do=did_you_mean(name, entries),
            )
        if not entries[name].is_asked:
            raise Misuse(f"`{name}` is read from {entries[name].read}", expected="no answer to it")
    missing: dict[str, AskEntry] = {}
    for name, entry in entries.items():
        if not entry.is_asked:
            continue
        variable = VARIABLE + name.upper()
        if (known := given.get(name)) is not None:
            text, source = known, GIVEN
        elif environment.get(variable):
            text, source = environment[variable], variable
        else:
            missing[name] = entry
            continue
        if isinstance(text, Declared):
            found[name] = text
            continue
        try:
            found[name] = _declared(entry.answer(text), source)
        except Misuse as fault:
            where = variable if source == variable else f"answer to `{name}`"
            wrong.append(Misuse(f"{where}: {fault.what}", expected=fault.expected, do=fault.do))
    if wrong:
        raise _joined(wrong)
    if missing and not (isinstance(desk, Asking) and desk.can_ask):
        raise _unanswered(missing)
    for name, entry in missing.items():
        if isinstance(desk, Asking) and only in (None, entry.once):
            found[name] = _asked(entry, desk)
    return found


def _asked(entry: AskEntry, desk: Asking) -> Declared:
    """The answer from the desk, asked again until it fits."""
    while True:
        typed = desk.ask(prompt(entry))
        try:
            return _declared(entry.answer(typed), TYPED)
        except Misuse as fault:
            desk.say(f"{fault.what}; expected: {fault.expected}")


def prompt(entry: AskEntry) -> str:
    """What is shown to whoever answers."""
    unit = f" ({entry.expected})" if entry.unit is not None or entry.pattern is not None else ""
    return f"{entry.about}{unit}: "


@dataclass(slots=True)
class DeclaredReadings:
    """What the recipe reads its declared fields from: results, and what was said on a line.

    Parameters
    ----------
    entries : all of the recipe.
    """

    entries: Mapping[str, AskEntry]
    _said: dict[str, set[str]] = field(default_factory=dict)

    def hear(self, measurement: Measurement, shot: ExaminedShot) -> None:
        """Take what one shot says on the lines that are read."""
        for name, entry in self.entries.items():
            label, _, line = (entry.read or "").strip().rpartition(".")
            wanted = entry.text or entry.hex
            if wanted is None or label != measurement.label:
                continue
            said = self._said.setdefault(name, set())
            try:
                strings = clean_strings(shot.frames(line))
            except NotMeasurable:
                continue
            for string in strings:
                shown = string.decode("latin-1") if entry.text else string.hex(" ").upper()
                match = Pattern(wanted).search(shown)
                if match is not None:
                    said.add(_group(match))

    def declared(self, results: Mapping[str, Result], *, made: frozenset[str]) -> tuple[dict[str, Declared], list[str]]:
        """The fields that were read, and why others were not, in sentences.

        Parameters
        ----------
        results : of the run, by `measurement.entry`.
        made : labels of the measurements that were made; what is read from another is left out without a word.
        """
        found: dict[str, Declared] = {}
        faults: list[str] = []
        for name, entry in self.entries.items():
            source = (entry.read or "").strip()
            label = source.rpartition(".")[0]
            if entry.read is None or label not in made:
                continue
            try:
                answer = self._heard(name, entry) if entry.text or entry.hex else _of(entry, results, source)
            except Misuse as fault:
                faults.append(f"declared field `{name}`: {fault.what}")
            else:
                found[name] = _declared(answer, f"read from {source}")
        return found, faults

    def _heard(self, name: str, entry: AskEntry) -> GivenAnswer:
        said = sorted(self._said.get(name, ()))
        if not said:
            raise Misuse(f"nothing on `{entry.read}` matches `{entry.text or entry.hex}`")
        if len(said) > 1:
            raise Misuse(f"`{entry.read}` says {' and '.join(ascii(word) for word in said[:4])}")
        return entry.answer(said[0])


def _of(entry: AskEntry, results: Mapping[str, Result], source: str) -> GivenAnswer:
    result = results.get(source)
    if result is None or result.reading.value is None:
        why = "" if result is None else result.reading.reason or result.reason
        raise Misuse(f"`{source}` has no reading{f': {why}' if why else ''}")
    if doubts := [finding.sentence for finding in result.reading.doubted if finding.decides]:
        raise Misuse(f"`{source}` is in doubt: {'; '.join(doubts)}")
    shown = show_reading(result.reading, None)
    entry.check_number(result.reading.value, shown=shown)
    return GivenAnswer(shown, result.reading.value, result.reading.unit)


def _group(match: PatternMatch) -> str:
    named = match.groups.get(GROUP)
    return match.whole if named is None else named


def _declared(answer: GivenAnswer, source: str) -> Declared:
    return Declared(answer.text, answer.value, answer.unit, source)


def _joined(wrong: list[Misuse]) -> Misuse:
    if len(wrong) == 1:
        return wrong[0]
    return Misuse("\n".join(f"{one.what}; expected: {one.expected}" for one in wrong), do="give answers that fit")


def _unanswered(missing: Mapping[str, AskEntry]) -> Misuse:
    asked = ", ".join(f"`{name}` ({entry.about})" for name, entry in missing.items())
    options = " ".join(f"--answer {name}=…" for name in missing)
    variables = ", ".join(VARIABLE + name.upper() for name in missing)
    return Misuse(
        f"nobody is asked, and no answer is given to {asked}",
        expected="; ".join(f"{name}: {entry.expected}" for name, entry in missing.items()),
        do=f"give {options}, set {variables}, or run it in a terminal without --yes",
    )
