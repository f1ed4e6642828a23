"""The messages of one kind of instrument, what it can do, how accurate it is: a profile, with all that it inherits."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import read_text
from wavewright.grammar.model_reading import read_model
from wavewright.instruments.dialect import Dialect, load_dialect
from wavewright.instruments.inheritance import inherit, with_pattern
from wavewright.instruments.plausibility import check_plausible
from wavewright.instruments.profile_faults import places_of, profile_faults
from wavewright.instruments.profile_grammar import ProfileFile
from wavewright.instruments.setting import Setting, Value
from wavewright.instruments.vocabulary import VOCABULARY, Role, ValueKind, VocabularyEntry
from wavewright.instruments.wire_settings import WireSettings

DEEPEST = 8  # profiles that inherit from each other
# IEEE 488.2-1992, 11.5.1†: query, device-dependent, execution and command error; in the status byte bit 2 is, by
# SCPI-99†, the summary of the error queue.
_ERROR_BITS = {"*ESR?": 4 + 8 + 16 + 32, "*STB?": 4}


@dataclass(frozen=True, slots=True)
class Assignment:
    """A value for one setting; `input` for settings of an input. `name` is what captures and plans call it."""

    setting: str
    value: Value
    input: int | None = None

    @property
    def name(self) -> str:
        """Such as `input1.range`."""
        return self.setting if self.input is None else self.setting.replace("input.", f"input{self.input}.", 1)


@dataclass(frozen=True, eq=False)
class Profile:
    """A profile whose inheritance is resolved and which is complete for its role.

    Parameters
    ----------
    path : the file as it was named.
    text : of the file and of those it extends, parents after children.
    """

    grammar: ProfileFile
    path: str
    text: str
    dialect: Dialect

    @property
    def name(self) -> str:
        """What the file calls itself."""
        return self.grammar.name

    @property
    def role(self) -> Role:
        """What the instrument does."""
        assert self.grammar.role is not None
        return self.grammar.role

    @property
    def digest(self) -> str:
        """SHA-256 over the text, for the outcome's evidence."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def manners(self) -> WireSettings:
        """What a link must know."""
        quirks, errors = self.grammar.quirks, self.grammar.errors
        return WireSettings(
            write_termination=quirks.write_termination,
            read_termination=quirks.read_termination,
            encoding=quirks.encoding,
            timeout=quirks.timeout,
            recovery=quirks.recovery_timeout,
            connect_timeout=quirks.connect_timeout,
            pause=quirks.pause,
            longest_message=quirks.longest_message,
            identify=self.grammar.identify,
            clear_status="*CLS" if "*CLS" in self.grammar.reset else "",
            event_query=self.grammar.restarted.ask,
            power_on_bit=self.grammar.restarted.mask,
            error_query=errors.ask,
            error_pattern=errors.pattern,
            no_error=errors.none,
            error_sign=errors.sign or self.grammar.restarted.ask,
            error_bits=self._error_bits(),
            compound=quirks.compound_queries,
        )

    def _error_bits(self) -> int:
        """Bits that show an error; what the standards name where the profile names none."""
        errors = self.grammar.errors
        sign = (errors.sign or self.grammar.restarted.ask).upper()
        if errors.bits is not None:
            return errors.bits if sign else 0
        return _ERROR_BITS.get(sign, 0) if errors.ask else 0

    def entry(self, setting: str) -> VocabularyEntry:
        """What a setting is.

        Raises
        ------
        Misuse : the role has no such setting.
        """
        entries = VOCABULARY[self.role]
        if setting not in entries:
            raise Misuse(f"a {self.role} has no setting `{setting}`", expected=f"one of {', '.join(entries)}")
        return entries[setting]

    def setting(self, name: str) -> Setting | None:
        """How it is set and queried; None where this instrument does not have it."""
        return self.grammar.settings.get(name)

    def can_set(self, name: str) -> bool:
        """Whether the profile says how to set it."""
        setting = self.setting(name)
        return setting is not None and bool(setting.set)

    def can_ask(self, name: str) -> bool:
        """Whether the profile says how to ask for it."""
        setting = self.setting(name)
        return setting is not None and bool(setting.ask)

    def messages(
        self, setting: str, value: Value, *, input: int | None = None, values: Mapping[str, object] | None = None
    ) -> tuple[str, ...]:
        """Exactly what is sent to set it, without an instrument.

        Parameters
        ----------
        values : other settings as they are written on the wire, for messages that mention them.

        Raises
        ------
        Misuse : this instrument cannot, or not to this value.
        """
        if not self.can_set(setting):
            raise Misuse(f"profile `{self.name}` cannot set `{setting}`", expected=", ".join(self._settable()))
        return self.dialect.messages(setting, value, _with_input(values, input))

    def messages_for(self, assignments: Iterable[Assignment]) -> tuple[str, ...]:
        """All messages of a group of settings, in order."""
        values: dict[str, object] = {}
        sent: list[str] = []
        for assignment in assignments:
            sent += self.messages(assignment.setting, assignment.value, input=assignment.input, values=values)
            self.remember(assignment, values)
        return tuple(sent)

    def remember(self, assignment: Assignment, values: dict[str, object]) -> None:
        """Enter what was set, as it is written on the wire, for later messages that mention it."""
        entry, setting = self.entry(assignment.setting), self.setting(assignment.setting)
        if setting is not None and entry.kind is not ValueKind.EVENT:
            values[assignment.setting] = setting.written(assignment.value, entry, _with_input(values, assignment.input))

    def queries(
        self, setting: str, *, input: int | None = None, values: Mapping[str, object] | None = None
    ) -> tuple[str, ...]:
        """What is sent to ask for it; the last one has the answer.

        Raises
        ------
        Misuse : the profile does not say how.
        """
        if not self.can_ask(setting):
            raise Misuse(f"profile `{self.name}` has no query for `{setting}`")
        return self.dialect.queries(setting, _with_input(values, input))

    def read(
        self, setting: str, answer: str, *, input: int | None = None, values: Mapping[str, object] | None = None
    ) -> float | str | bool:
        """The value that an answer stands for, in SI units and our words.

        Raises
        ------
        BadAnswer : no number where one is required or one out of all sense, no word that the profile has.
        """
        value = self.dialect.read(setting, answer, _with_input(values, input))
        if isinstance(value, float | int) and not isinstance(value, bool):
            check_plausible(setting, float(value), self.entry(setting), self.grammar.abilities)
        return value

    def _settable(self) -> list[str]:
        return [name for name, setting in self.grammar.settings.items() if setting.set]


def _with_input(values: Mapping[str, object] | None, input: int | None) -> dict[str, object]:
    return {**(values or {}), **({} if input is None else {"input": input})}


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that come with the package."""
    return tuple(sorted(entry.name.removesuffix(".yaml") for entry in _folder().iterdir() if _is_yaml(entry.name)))


def load_profile(name: str, *, folder: Path | None = None) -> Profile:
    """A profile by its name, if it is shipped, or by its path.

    Parameters
    ----------
    folder : where relative paths begin; the folder one is in if None.

    Raises
    ------
    FileFault : no such profile, or everything that is wrong with it.
    """
    grammar, chain = inherited(name, folder=folder)
    path = chain[0][0]
    place = places_of(chain)
    if faults := list(profile_faults(grammar, place)):
        raise FileFault.joined(faults)
    grammar = with_pattern(grammar)
    text = "\n".join(text for _, text in chain)
    return Profile(grammar, path, text, load_dialect(grammar, where=str(place("python"))))


def inherited(name: str, *, folder: Path | None = None) -> tuple[ProfileFile, list[tuple[str, str]]]:
    """A profile with all that it inherits, complete for a role or not; and path and text of each file, its own first.

    Raises
    ------
    FileFault : no such profile, or one that cannot be read.
    """
    if not name.strip():
        raise FileFault("no profile is given", expected=f"a file, or one of {', '.join(shipped_profiles())}")
    chain = list(_chain(name, folder or Path()))
    grammar = chain[-1][1]
    for _, child, _ in reversed(chain[:-1]):
        grammar = inherit(child, grammar)
    return grammar, [(path, text) for path, _, text in chain]


def read_profile_file(name: str, *, folder: Path) -> tuple[str, ProfileFile, str]:
    """One file: its path as messages show it, what it says, and its text."""
    path = name
    if not _is_yaml(name):
        if name not in shipped_profiles():
            raise FileFault(
                f"there is no profile `{name}`",
                expected=f"a file, or one of {', '.join(shipped_profiles())}",
                do="write a path that ends in `.yaml` for a file of your own",
            )
        text = _folder().joinpath(f"{name}.yaml").read_text(encoding="utf-8")
        path = f"{name}.yaml"
    else:
        path = str(folder / name)
        text = read_text(path)
    return path, read_model(path, ProfileFile, text=text), text


def _chain(name: str, folder: Path) -> Iterable[tuple[str, ProfileFile, str]]:
    seen: list[str] = []
    named_at: Place | str = ""
    while name:
        if name in seen or len(seen) >= DEEPEST:
            raise FileFault(f"`extends` is circular: {' -> '.join([*seen, name])}", where=named_at)
        seen.append(name)
        try:
            path, grammar, text = read_profile_file(name, folder=folder)
        except FileFault as fault:
            if not str(fault.where):
                fault.where = named_at
            raise
        yield path, grammar, text
        named_at = places_of([(path, text)])("extends")
        if _is_yaml(name):
            folder = (folder / name).parent
        name = grammar.extends


def _folder() -> Any:
    return files("wavewright.instruments").joinpath("profiles")


def _is_yaml(name: str) -> bool:
    return name.endswith((".yaml", ".yml"))
