"""Names that files of the simulated bench may use, and what each means: one entry per kind, made by its own file."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from types import MappingProxyType, ModuleType
from typing import Generic, TypeVar

from wavewright.errors import Misuse

T = TypeVar("T")


class Registry(Generic[T]):
    """Makers by name. Written while modules are imported, read-only afterwards.

    Parameters
    ----------
    what : what an entry is, for messages.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._entered: dict[str, T] = {}

    def enter(self, name: str) -> Callable[[T], T]:
        """A decorator that enters a maker under a name; a name is never taken twice."""

        def entering(make: T) -> T:
            if name in self._entered:
                raise Misuse(f"{self._what} `{name}` is defined twice")
            self._entered[name] = make
            return make

        return entering

    def everything(self, package: ModuleType) -> Mapping[str, T]:
        """All entries by name, those of every module of a package among them."""
        for module in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            importlib.import_module(module.name)
        return MappingProxyType(dict(sorted(self._entered.items())))
