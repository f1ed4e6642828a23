"""What may be chosen for one run: the same for the command, the pytest plugin and `wavewright.run`."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import wraps
from inspect import signature
from numbers import Integral, Real
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from wavewright.errors import Misuse
from wavewright.instruments.vocabulary import Role
from wavewright.nearest import did_you_mean
from wavewright.running.declared import Declared
from wavewright.running.run_context import Operator, Progress

PATIENCE = 600.0  # s
LEAST_TIME = 1e-3  # s

Parameters = ParamSpec("Parameters")
Returned = TypeVar("Returned")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """The options of one run, each of the right kind; `wavewright.run` says what each of them means.

    Raises
    ------
    Misuse : an option has a value that it cannot have; names it.
    """

    serial: str = ""
    serial_pattern: str | None = None
    operator: str = ""
    station: str = ""
    batch: str = ""
    out: str | Path | None = None
    logbook: str | Path | None = None
    logbook_may_be_away: bool = False
    captures: str | Path | None = None
    instruments: Mapping[str, str] | None = None
    answers: Mapping[str, str | Declared] | None = None
    attach: Sequence[str | Path] = ()
    note: str = ""
    seed: int | None = None
    draw: int | None = None
    stop_at_first: bool = False
    retest_anyway: bool = False
    quarantined_anyway: bool = False
    cross_check: bool = False
    full_wire_log: bool = False
    time_limit: float | None = None
    patience: float = PATIENCE
    desk: Operator | None = None
    progress: Progress | None = None
    say: Callable[[str], None] | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            is_right, expected = KINDS[field.name]
            if not (value is None and field.default is None) and not is_right(value):
                raise Misuse(f"the option `{field.name}` is {value!r}", expected=expected)
        for role in self.instruments or {}:
            if role not in tuple(Role):
                raise _unknown(f"the option `instruments` names no role `{role}`", role, tuple(Role))

    def changed(self, **changes: Any) -> RunOptions:
        """The same options with some of them replaced.

        Raises
        ------
        Misuse : there is no such option, or it cannot have that value.
        """
        known = [field.name for field in fields(self)]
        for name in changes:
            if name not in known:
                raise unknown_option(name, known)
        return replace(self, **changes)


def unknown_option(name: str, known: Iterable[str]) -> Misuse:
    """What is raised for an option that there is not; names the nearest."""
    return _unknown(f"there is no option `{name}`", name, list(known))


def refusing_strangers(function: Callable[Parameters, Returned]) -> Callable[Parameters, Returned]:
    """The same function, which raises Misuse for an argument that it does not take, and names the nearest one."""
    taken = signature(function)

    @wraps(function)
    def checked(*values: Parameters.args, **options: Parameters.kwargs) -> Returned:
        for name in options:
            if name not in taken.parameters:
                raise unknown_option(name, taken.parameters)
        try:
            taken.bind(*values, **options)
        except TypeError as fault:
            what, _, rest = str(fault).partition("\n")
            raise Misuse(
                f"`{function.__name__}`: {what}{rest}",
                expected=f"`{next(iter(taken.parameters))}` first, and every option with its name",
                do=f"`help(wavewright.{function.__name__})` lists them",
            ) from None
        return function(*values, **options)

    return checked


def _unknown(what: str, name: str, known: Iterable[str]) -> Misuse:
    names = list(known)
    return Misuse(what, expected=f"one of {', '.join(names)}", do=did_you_mean(name, names, alike=0.5))


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_path(value: object) -> bool:
    return isinstance(value, str | Path)


def _is_switch(value: object) -> bool:
    return isinstance(value, bool)


def _is_seed(value: object) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool) and int(value) >= 0


def _is_time(value: object, *, least: float = 0.0) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and not math.isnan(value) and float(value) >= least


def _is_naming(value: object) -> bool:
    return isinstance(value, Mapping) and all(_is_text(word) for pair in value.items() for word in pair)


def _are_paths(value: object) -> bool:
    return isinstance(value, list | tuple) and all(map(_is_path, value))


def _is_answering(value: object) -> bool:
    return isinstance(value, Mapping) and all(
        _is_text(name) and isinstance(answer, str | Declared) for name, answer in value.items()
    )


# What an option must be, and how that is said.
Kind = tuple[Callable[[Any], bool], str]
TEXT: Kind = (_is_text, "text")
PATH: Kind = (_is_path, "a path as text or as a pathlib.Path")
SWITCH: Kind = (_is_switch, "True or False")
SEED: Kind = (_is_seed, "a whole number, 0 or more")
KINDS: Mapping[str, Kind] = {
    "serial": TEXT,
    "serial_pattern": TEXT,
    "operator": TEXT,
    "station": TEXT,
    "batch": TEXT,
    "out": PATH,
    "logbook": (_is_path, "a path or a database URL as text, or a pathlib.Path"),
    "logbook_may_be_away": SWITCH,
    "captures": (_is_path, "a folder or a URL as text, or a pathlib.Path"),
    "instruments": (_is_naming, "a dictionary from roles to names on the bench, {'digitizer': 'NAME'}"),
    "answers": (_is_answering, "a dictionary from declared fields to answers as text, {'work_order': 'WO-000123'}"),
    "attach": (_are_paths, "a list of paths, each as text or as a pathlib.Path"),
    "note": TEXT,
    "seed": SEED,
    "draw": SEED,
    "stop_at_first": SWITCH,
    "retest_anyway": SWITCH,
    "quarantined_anyway": SWITCH,
    "cross_check": SWITCH,
    "full_wire_log": SWITCH,
    "time_limit": (lambda value: _is_time(value, least=LEAST_TIME), f"a time in seconds, {LEAST_TIME:g} or more"),
    "patience": (_is_time, "a time in seconds, 0 or more"),
    "desk": (lambda value: isinstance(value, Operator), "an object with the methods `confirm(text)` and `say(text)`"),
    "progress": (
        lambda value: isinstance(value, Progress),
        "an object with the methods `begin`, `step`, `shot` and `end`",
    ),
    "say": (callable, "a function that takes a text"),
}

DEFAULTS = RunOptions()
