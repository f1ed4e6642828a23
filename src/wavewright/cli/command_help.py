"""The help of each command, in plain words with an example, and its page in the reference."""

from __future__ import annotations

import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from wavewright.cli.command_examples import EXAMPLES
from wavewright.cli.command_table import CommandTable
from wavewright.reference.topic import Group, Topic

WORDS = {str: "TEXT", int: "NUMBER", float: "NUMBER", Path: "PATH"}
HABITS = {"help_option_names": ["-h", "--help"]}


def with_plain_help(command: Any, name: str = "") -> Any:
    """Give a command, and all below it when they are asked for, `-h`, examples and plain words in place of types."""
    command.context_settings = {**(command.context_settings or {}), **HABITS}
    if examples := _examples(command, name):
        command.epilog = "\b\n" + "\n".join(
            ["Examples:" if len(examples) > 1 else "Example:", *(f"  {line}" for line in examples)]
        )
    for parameter in command.params:
        if parameter.metavar is None:
            parameter.metavar = _metavar(parameter)
        if parameter.param_type_name == "argument" and _kind(parameter) in WORDS:
            parameter.display_type_rich = lambda ctx: ""  # the name says it
    if (below := getattr(command, "commands", None)) is not None:
        command.commands = CommandTable(
            lambda: below, lambda inner: with_plain_help(below[inner], f"{name} {inner}".strip())
        )
    return command


def _examples(command: Any, name: str) -> tuple[str, ...]:
    """Those in the table, or those that the command has itself."""
    own: tuple[str, ...] = getattr(command, "examples", ())
    return EXAMPLES.get(name, own)


def command_topics(command: Any, name: str = "") -> Iterator[Topic]:
    """A page for each command below this one."""
    for inner, below in sorted(getattr(command, "commands", {}).items()):
        words = f"{name} {inner}".strip()
        yield _topic(below, words)
        yield from command_topics(below, words)


def _topic(command: Any, name: str) -> Topic:
    from wavewright.reference.docstring import prose, table, verbatim

    told = command.help or ""
    examples = _examples(command, name)
    text = [verbatim("\n".join(examples), "sh")] if examples else []
    text.append(prose(told))
    if below := getattr(command, "commands", {}):
        inside = [(f"`wavewright {name} {inner}`", _summary(one.help)) for inner, one in below.items()]
        text += ["## Commands", table(("command", "does"), inside)]
    rows = [
        (", ".join(f"`{word}`" for word in _spelt(one)), _said(one), _default(one))
        for one in command.params
        if not getattr(one, "hidden", False)
    ]
    if rows:
        text += ["## Arguments and options", table(("written", "meaning", "if left out"), rows)]
    return Topic(Group.COMMAND, name, _summary(told), "\n\n".join(text))


def _metavar(parameter: Any) -> str | None:
    if parameter.param_type_name == "argument":
        return str(parameter.name).upper()
    return WORDS.get(_kind(parameter))


def _kind(parameter: Any) -> Any:
    """The type of one value of it."""
    kind = getattr(getattr(parameter, "type_descriptor", None), "annotation", None)  # older releases show plain words
    return next(iter(typing.get_args(kind)), kind) if typing.get_origin(kind) is list else kind


def _spelt(parameter: Any) -> list[str]:
    if parameter.param_type_name == "argument":
        return [_metavar(parameter) or ""]
    takes = "" if parameter.is_flag or parameter.count else f" {parameter.metavar or _choices(parameter)}"
    return [f"{option}{takes}" for option in [*parameter.opts, *parameter.secondary_opts]]


def _choices(parameter: Any) -> str:
    return "|".join(getattr(_kind(parameter), "__members__", {})).lower() or "VALUE"


def _said(parameter: Any) -> str:
    from wavewright.reference.docstring import escaped

    return escaped(" ".join((getattr(parameter, "help", None) or "").split()))


def _default(parameter: Any) -> str:
    if parameter.required:
        return "required"
    value = parameter.default
    return "" if value in (None, "", False, [], ()) or callable(value) else f"`{value}`"


def _summary(text: str | None) -> str:
    return " ".join((text or "").strip().split("\n\n")[0].split())
