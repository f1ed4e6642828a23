"""Commands by name, each made when it is first asked for: what a command line does not use is not loaded."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import typer


class CommandTable(Mapping[str, Any]):
    """What a group of commands has in place of its dictionary.

    Parameters
    ----------
    names : all names, asked for when the first is.
    make : the command of a name.
    """

    def __init__(self, names: Callable[[], Iterable[str]], make: Callable[[str], Any]) -> None:
        self._names, self._make = names, make
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            if name not in self:
                raise KeyError(name)
            self._made[name] = self._make(name)
        return self._made[name]

    def __contains__(self, name: object) -> bool:
        return name in set(self._names())

    def __iter__(self) -> Iterator[str]:
        return iter(self._names())

    def __len__(self) -> int:
        return sum(1 for _ in self)


def command_of(function: Callable[..., None], name: str, **how: Any) -> Any:
    """The command that calls a function, whose arguments say what its options are."""
    app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
    app.command(name, **how)(function)
    return typer.main.get_command(app)
