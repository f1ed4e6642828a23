"""The frame of the command line: finds the commands, turns errors into messages and exit statuses.

| exit status | meaning |
|---|---|
| 0 | pass, or done |
| 1 | fail |
| 2 | inconclusive |
| 3 | error: a refused file, a fault of an instrument, a run that was interrupted |
| 64 | wrong usage of the command itself (EX_USAGE of BSD sysexits.h †) |
"""

from __future__ import annotations

import errno
import gc
import importlib
import inspect
import logging
import os
import pkgutil
import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from types import ModuleType
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from wavewright.cli import commands
from wavewright.cli.command_help import HABITS, with_plain_help
from wavewright.cli.command_table import CommandTable, command_of
from wavewright.cli.stopping import Stop, stoppable
from wavewright.cli.visible import visible_streams
from wavewright.errors import Misuse, WavewrightError

ERROR = WavewrightError.exit_status
WRONG_USAGE = Misuse.exit_status
TRACEBACK = "WAVEWRIGHT_TRACEBACK"  # set in the environment, it shows where a defect of ours lies
_NEGATIVE = re.compile(r"-\.?\d")

# Where they come from depends on whether typer brings its own click or uses the package; their descent is the same.
UsageFault: type[Any] = typer.BadParameter.__mro__[1]
CommandFault: type[Any] = typer.BadParameter.__mro__[2]


def execute(arguments: Sequence[str]) -> int:
    """Carry out one command line and return its exit status; messages go to stderr.

    With the environment variable WAVEWRIGHT_TRACEBACK set, an error that we did not foresee is raised as it came.
    """
    with visible_streams(), stoppable() as stop:
        try:
            return _executed(arguments, stop)
        finally:
            gc.enable()  # which `start`, or a command that only reads, has put off


def _executed(arguments: Sequence[str], stop: Stop) -> int:
    try:
        status = root_command()(args=negative_values_joined(arguments), prog_name="wavewright", standalone_mode=False)
        sys.stdout.flush()
    except CommandFault as fault:
        fault.show()
        return WRONG_USAGE if isinstance(fault, UsageFault) else ERROR
    except WavewrightError as error:
        _tell("\n".join([str(error), *getattr(error, "__notes__", ())]))
        return error.exit_status
    except (typer.Abort, KeyboardInterrupt):
        return _interrupted(stop)
    except (BrokenPipeError, SystemExit):  # typer leaves so when whoever read our output, `head` for one, has gone
        return _unread()
    except Exception as defect:
        if _nobody_reads(defect):
            return _unread()
        if os.environ.get(TRACEBACK):
            raise
        _tell(_report(defect))
        return ERROR
    return _interrupted(stop) if status == 130 else int(status or 0)


def negative_values_joined(words: Sequence[str]) -> list[str]:
    """The words of a command line, a value below 0 joined to its option: `--after`, `-1 ms` as `--after=-1 ms`.

    Left apart it would be read as short options, `-1`, `- `, `-m s`; no option of ours begins with a digit.
    """
    joined: list[str] = []
    for number, word in enumerate(words):
        if word == "--":
            return [*joined, *words[number:]]
        opens = joined and joined[-1].startswith("--") and "=" not in joined[-1]
        if opens and _NEGATIVE.match(word):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def root_command() -> Any:
    """All commands of the `commands` folder under one roof, their help in plain words; loaded when they are used."""
    app = typer.Typer(
        name="wavewright",
        cls=Commands,
        help="Bench measurements as text: set, capture, recompute, judge, record.",
        epilog="Exit status: 0 pass, 1 fail, 2 inconclusive, 3 error, 64 wrong usage.",
        no_args_is_help=True,
        context_settings=HABITS,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_frame)
    root: Any = typer.main.get_command(app)
    names = [module.name for module in pkgutil.iter_modules(commands.__path__)]
    root.commands = CommandTable(lambda: names, _command)
    return with_plain_help(root)


class Commands(TyperGroup):
    """All commands by name; their list takes what each says of itself, and makes none: that would double its time."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Their names."""
        return list(self.commands)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the name and the first words of each."""
        told: dict[str, Any] = {name: TyperCommand(name, help=_about(name)) for name in self.commands}
        TyperGroup(commands=told).format_commands(ctx, formatter)


def _about(name: str) -> str:
    loaded = _loaded(name)
    group = getattr(loaded, "commands", None)
    return str(inspect.getdoc(getattr(loaded, name)) if group is None else group.info.help)


def _loaded(name: str) -> ModuleType:
    return importlib.import_module(f"{commands.__name__}.{name}")


def _command(name: str) -> Any:
    loaded = _loaded(name)
    if group := getattr(loaded, "commands", None):
        group.rich_markup_mode = None
        return typer.main.get_group(group)
    return command_of(getattr(loaded, name), name, context_settings=getattr(loaded, "CONTEXT", None))


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"wavewright {version('wavewright')}")
        raise typer.Exit(0)


def _frame(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and exit.")
    ] = False,
    verbose: Annotated[
        int,
        typer.Option(
            "--verbose", "-v", count=True, show_default=False, help="Log each step; -vv also each message on the wire."
        ),
    ] = 0,
) -> None:
    gc.freeze()  # what was loaded until here stays, and is not looked through
    gc.enable()  # a command may run for hours
    # with -v each step has its instant; who reads the messages on the wire wants to know from where they come
    form = "%(asctime)s %(message)s" if verbose == 1 else "%(levelname)s %(name)s: %(message)s"
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format=form)
    # of ours alone: what other libraries say at their DEBUG is not a step of a run
    logging.getLogger("wavewright").setLevel((logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)])
    # what it raises comes to us as well; a signal that meets it at closing is not a traceback of the user's
    logging.getLogger("sqlalchemy.pool").setLevel(logging.CRITICAL + 1)
    if not verbose:
        # its warnings are about libraries; its errors come with a traceback, and to us too, who say what they mean
        logging.getLogger("pyvisa").setLevel(logging.CRITICAL + 1)


def _interrupted(stop: Stop) -> int:
    _tell(stop.word)
    return ERROR


def _tell(text: str) -> None:
    with suppress(OSError):  # of a terminal that is gone
        print(text, file=sys.stderr)


def _nobody_reads(defect: Exception) -> bool:
    """Whether it says that the terminal is gone (EIO), or a pipe's reader in the words of Windows (EINVAL)."""
    if not isinstance(defect, OSError) or defect.errno not in (errno.EIO, errno.EINVAL):
        return False
    if defect.errno == errno.EIO:
        return True
    try:
        sys.stdout.write("\n")  # no system has a gentler way to ask; an unfinished line ends here
        sys.stdout.flush()
    except OSError:
        return True
    return False


def _unread() -> int:
    """The result did not arrive, so it must not look like a pass."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    try:
        sys.stderr.flush()
    except OSError:
        os.dup2(nowhere, sys.stderr.fileno())
    return ERROR


def _report(defect: Exception) -> str:
    """What to say about an error that is ours, in one line and the way to report it."""
    last = defect.__traceback__
    while last is not None and last.tb_next is not None:
        last = last.tb_next
    where = f"{last.tb_frame.f_globals.get('__name__', '?')}:{last.tb_lineno}" if last is not None else "?"
    return (
        f"wavewright has a defect: {type(defect).__name__} in {where}: {defect}\n"
        f"  do: repeat the command with {TRACEBACK}=1 in the environment, and report what it prints to the maintainers"
    )
