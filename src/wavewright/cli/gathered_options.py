"""Options that belong together: a command takes one argument for them, and what it is called with has them all."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any, TypeVar, get_type_hints

T = TypeVar("T")


def gathered(
    argument: str, options: Mapping[str, tuple[Any, object]], make: Callable[..., object]
) -> Callable[[Callable[..., T]], Callable[..., T]]:
    """A decorator: the same command, with options in the place of one of its arguments.

    Parameters
    ----------
    argument : the name of that argument.
    options : what typer is to read in its place: by name the annotation and the default.
    make : called with all of them by name; what it returns is the argument.
    """

    def decorate(command: Callable[..., T]) -> Callable[..., T]:
        others = {name: hint for name, hint in command.__annotations__.items() if name != argument}
        hints = get_type_hints(SimpleNamespace(__annotations__=others), command.__globals__, include_extras=True)
        parameters: list[inspect.Parameter] = []
        for one in inspect.signature(command).parameters.values():
            if one.name == argument:
                parameters += [
                    inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
                    for name, (annotation, default) in options.items()
                ]
            else:
                parameters.append(one.replace(annotation=hints[one.name]))

        @functools.wraps(command)
        def carry_out(**given: Any) -> T:
            made = make(**{name: given.pop(name) for name in options})
            return command(**{argument: made}, **given)

        carry_out.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]  # what typer reads
        carry_out.__annotations__ = {one.name: one.annotation for one in parameters}
        return carry_out

    return decorate
