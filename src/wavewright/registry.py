"""Names that files and commands may use, and what each stands for: one entry per name, made by its own file.

All that a package of somebody's own may bring is entered in such a table: metrics, frame metrics, buses, layers,
functions of expressions, file formats, report formats, and the node kinds, fault kinds and roles of simulated benches.
Our own entries are found by walking a package of ours, those of others by the entry points of a group.
"""

from __future__ import annotations

import importlib
import logging
import pkgutil
from collections.abc import Callable, Mapping
from importlib.metadata import entry_points
from types import MappingProxyType
from typing import Generic, TypeVar

from wavewright.errors import Misuse

log = logging.getLogger(__name__)
T = TypeVar("T")


class Registry(Generic[T]):
    """Entries by name. Written while modules are imported, read-only afterwards.

    Parameters
    ----------
    what : what an entry is, for messages.
    package : ours whose modules, in folders too, make entries while they are imported.
    group : of entry points; each one names a module of somebody's own that makes entries in the same way.
    """

    def __init__(self, what: str, *, package: str, group: str) -> None:
        self.what, self.package, self.group = what, package, group
        self.entered: dict[str, T] = {}
        self._made_in: dict[str, str] = {}

    def enter(self, name: str, entry: T, *, made_in: str) -> None:
        """Enter something under a name, which is never taken twice; a refused entry leaves no trace.

        Parameters
        ----------
        made_in : the module that defines it, for the message to whoever wants the name too.

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
        for module in pkgutil.walk_packages(package.__path__, f"{self.package}."):
            importlib.import_module(module.name)
        for point in entry_points(group=self.group):
            try:
                point.load()
            except Exception:  # somebody else's package must not take ours down
                log.exception("%s of `%s` left out: it cannot be imported", self.what, point.name)
        return MappingProxyType(dict(sorted(self.entered.items())))
