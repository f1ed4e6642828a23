"""Names that files and commands may use, and what each stands for: one entry per name, made by its own file.

All that a package of somebody's own may bring is entered in such a table: metrics, frame metrics, buses, layers,
functions of expressions, file formats, report formats, studies, and the node kinds, fault kinds and roles of simulated
benches. Our own entries are found by walking a package of ours, those of others by the entry points of a group.
"""

from __future__ import annotations

import importlib
import logging
import os
import pkgutil
import re
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import Any, Generic, TypeVar

from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean, unknown

log = logging.getLogger(__name__)
T = TypeVar("T")
_ENTERED = re.compile(rb"\n@\w+\(\s*\"([^\"]+)\"")  # in the bytes of a file: a hundred are searched for one name


class Registry(Generic[T]):
    """Entries by name. Written while modules are imported, read-only afterwards.

    Parameters
    ----------
    what : what an entry is, for messages.
    package : ours whose modules, in folders too, make entries while they are imported.
    group : of entry points; each one names a module of somebody's own that makes entries in the same way.
    expected : where to look the names up, for messages; where it is empty, they are listed.
    advice : from a word that is not a name, and the names, to the last line of the message.
    """

    def __init__(
        self,
        what: str,
        *,
        package: str,
        group: str,
        expected: str = "",
        advice: Callable[[str, Iterable[str]], str] = did_you_mean,
    ) -> None:
        self.what, self.package, self.group = what, package, group
        self.expected, self.advice = expected, advice
        self.entered: dict[str, T] = {}
        self._made_in: dict[str, str] = {}

    def enter(self, name: str, entry: T, *, made_in: str) -> None:
        """Enter something under a name, which is never taken twice; a refused entry leaves no trace.

        Parameters
        ----------
        made_in : the module that defines it, for the message to whoever uses the name too.

        Raises
        ------
        Misuse : the name is taken.
        """
        if name in self.entered:
            raise Misuse(f"{self.what} `{name}` is already defined in {self._made_in[name]}")
        self._made_in[name] = made_in
        self.entered[name] = entry

    def entering(self, name: str) -> Callable[[T], T]:
        """A decorator that enters a class or a function under a name and leaves it as it is."""

        def enter(made: T) -> T:
            self.enter(name, made, made_in=getattr(made, "__module__", "?"))
            return made

        return enter

    def everything(self) -> Mapping[str, T]:
        """All entries by name, in alphabetical order: ours, then those of other packages.

        A package of somebody's own that cannot be imported is left out, and the log says why.
        """
        package = importlib.import_module(self.package)
        _walk(package, tuple(package.__path__))
        _load(self.group, self.what)
        return MappingProxyType(dict(sorted(self.entered.items())))

    def get(self, name: str) -> T | None:
        """The entry of a name, None where there is none.

        No more of our modules are imported than it takes: that whose text enters the name, or all of them where no text
        shows it, so that a command which needs three metrics does not wait for a hundred.
        """
        if name not in self.entered:
            package = importlib.import_module(self.package)
            for module in _entering(package, tuple(package.__path__)).get(name, ()):
                importlib.import_module(module)
        return self.entered[name] if name in self.entered else self.everything().get(name)

    def find(self, name: str, *, among: Mapping[str, T] | None = None, what: str = "") -> T:
        """The entry of a name.

        Parameters
        ----------
        among : those that can be meant here, if not all can.
        what : what such an entry is, for the message, if they are not all meant.

        Raises
        ------
        Misuse : there is none; names the nearest.
        """
        if among is None and (entry := self.get(name)) is not None:
            return entry
        known = self.everything() if among is None else among
        if name in known:
            return known[name]
        what = f"unknown {what or self.what} `{name}`"
        raise unknown(what, name, known, expected=self.expected, do=self.advice(name, known))


@cache
def _walk(package: ModuleType, path: tuple[str, ...]) -> None:
    """Import every module of a package, once for each place that it is found in, however many tables it fills."""
    for module in pkgutil.walk_packages(path, f"{package.__name__}."):
        importlib.import_module(module.name)


@cache
def _entering(package: ModuleType, path: tuple[str, ...]) -> Mapping[str, list[str]]:
    """The modules of a package in whose text a decorator enters a name, by that name; none where there is no text."""
    found: dict[str, list[str]] = {}
    for folder in map(Path, path):
        for where, _, files in os.walk(folder):
            for file in (Path(where, file) for file in files if file.endswith(".py") and file[0] != "_"):
                if names := _ENTERED.findall(file.read_bytes()):
                    module = ".".join((package.__name__, *file.relative_to(folder).with_suffix("").parts))
                    for name in names:
                        found.setdefault(name.decode(), []).append(module)
    return found


@cache
def _installed_points() -> Any:  # its name differs between versions of Python
    """All entry points of all packages: each reading of them opens a file per package."""
    return entry_points()


@cache
def _load(group: str, what: str) -> None:
    for point in _installed_points().select(group=group):
        try:
            point.load()
        except Exception:  # somebody else's package must not take ours down
            log.exception("%s of `%s` left out: it cannot be imported", what, point.name)
