"""The one tree of errors. Every branch is something a user can act on differently.

WavewrightError                 exit status 3
├── FileFault                   a recipe, bench, profile or data file says something we cannot use
├── WireFault                   the instrument or the line to it
│   ├── NoAnswer                nothing came within the timeout
│   │   └── NoTrigger           armed, and the trigger never came
│   ├── BadAnswer               an answer came that does not fit the query
│   ├── Complaint               the instrument put something into its error queue
│   ├── SetOtherwise            a setting came out too far from what was requested
│   ├── OutputMayBeOn           an output could not be confirmed off: a person must look
│   └── LinkLost                the connection is gone
├── BenchFault                  the bench lacks, or forbids, what the recipe needs
├── TimeUp                      the run has taken longer than it may
├── StorageFault                the disk, a folder or the database does not take or give what it should
├── NotMeasurable               the waveform does not contain what the metric needs
└── Misuse                      exit status 64: the call itself makes no sense
    └── UnknownName             there is nothing of that name; a KeyError too
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, ClassVar, Self


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where something is in a file: its name as the user gave it, line and column counted from 1."""

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return ":".join(str(part) for part in (self.file, self.line, self.column) if part)


class WavewrightError(Exception):
    """Anything this package reports to its user; `str` of it is the whole message.

    `outcome` is what a run brought until the error ended it; None where no run had begun.
    """

    exit_status: ClassVar[int] = 3
    outcome: object = None

    def __init__(self, what: str, *, where: Place | str = "", expected: str = "", do: str = "") -> None:
        super().__init__(what)  # the only positional: keeps pickling, and so worker processes, working
        self.what, self.where, self.expected, self.do = what, where, expected, do

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if str(self.where) else self.what
        tail = [f"\n  {word}: {text}" for word, text in (("expected", self.expected), ("do", self.do)) if text]
        return head + "".join(tail)

    def __reduce__(self) -> tuple[Any, ...]:
        return _restore, (type(self), self.what, {**self.__dict__})


def _restore(kind: type[WavewrightError], what: str, state: dict[str, Any]) -> WavewrightError:
    error = kind(what)
    error.__dict__.update(state)
    return error


class FileFault(WavewrightError):
    """A recipe, bench, profile or data file says something we cannot use; `faults` are all that it says wrong."""

    faults: tuple[FileFault, ...] = ()

    @classmethod
    def joined(cls, faults: Sequence[FileFault]) -> Self:
        """One error for all faults of a file, in line order; its message is theirs, one below the other."""
        ordered = tuple(sorted(faults, key=_order))
        first = ordered[0]
        error = cls(first.what, where=first.where, expected=first.expected, do=first.do)
        error.faults = ordered
        return error

    def __str__(self) -> str:
        if len(self.faults) > 1:
            return "\n".join(WavewrightError.__str__(fault) for fault in self.faults)
        return super().__str__()


def _order(fault: FileFault) -> tuple[str, int, int]:
    where = fault.where
    return (where.file, where.line, where.column) if isinstance(where, Place) else (where, 0, 0)


class WireFault(WavewrightError):
    """The instrument or the line to it."""


class NoAnswer(WireFault):
    """Nothing came within the timeout."""


class NoTrigger(NoAnswer):
    """Armed, and the trigger never came."""


class BadAnswer(WireFault):
    """An answer came that does not fit the query: corrupted, cut short, or out of order."""


class Complaint(WireFault):
    """The instrument put something into its error queue."""


class SetOtherwise(WireFault):
    """A setting came out further from what was requested than the stated accuracy allows; `used` is what was read."""

    used: Mapping[str, float | str | bool] = MappingProxyType({})


class OutputMayBeOn(WireFault):
    """An output could not be confirmed off: a person must look."""


class LinkLost(WireFault):
    """The connection is gone."""


class BenchFault(WavewrightError):
    """The bench lacks, or forbids, what the recipe needs; `faults` are all such things, each at its place."""

    faults: tuple[BenchFault, ...] = ()


class TimeUp(WavewrightError):
    """The run has taken longer than it may."""


class StorageFault(WavewrightError):
    """The disk, a folder or the database does not take or give what it should."""


class NotMeasurable(WavewrightError):
    """The waveform does not contain what the metric needs."""


class Misuse(WavewrightError):
    """The call itself makes no sense."""

    exit_status: ClassVar[int] = 64


class UnknownName(Misuse, KeyError):
    """There is nothing of that name in an object that is asked by name; a `KeyError` too, as of every mapping."""
