"""`wavewright study`: statistics over many runs, one command per entry of the catalogue of studies."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.command_table import CommandTable, command_of
from wavewright.cli.completion import complete_reading
from wavewright.cli.options import LogbookAt
from wavewright.cli.output import AsJson, print_json
from wavewright.cli.run_filter import FILTERS, WithSimulated, real_runs, run_filter

if TYPE_CHECKING:
    from wavewright.logbook.studies.catalogue import Study

READING = Annotated[
    str, typer.Argument(metavar="READING", help="Such as `rail_noise.ripple`.", autocompletion=complete_reading)
]
ASKED = tuple(name for name in FILTERS if name != "verdict")  # a study is of all verdicts


class Studies(typer.core.TyperGroup):
    """The studies that are entered, with those of other packages."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.commands = CommandTable(_names, _command)  # type: ignore[assignment]  # it is only read


commands = typer.Typer(
    help="Statistics over many runs: capability, gauge, yield, limits.",
    no_args_is_help=True,
    cls=Studies,
)


def _names() -> Iterator[str]:
    from wavewright.logbook.studies.catalogue import STUDIES

    return iter(STUDIES.everything())


def _command(name: str) -> Any:
    from wavewright.logbook.studies.catalogue import STUDIES

    study = STUDIES.find(name)

    def carry_out(**given: Any) -> None:
        _carry_out(study, **given)

    signature = inspect.Signature(list(_parameters(study)))
    carry_out.__doc__ = study.about
    carry_out.__signature__ = signature  # type: ignore[attr-defined]  # what typer reads
    carry_out.__annotations__ = {one.name: one.annotation for one in signature.parameters.values()}
    command = command_of(carry_out, name)
    command.examples = (study.example,)
    return command


def _parameters(study: Study) -> Iterator[inspect.Parameter]:
    """Of the function that a command calls: the reading, the options of the study, and which runs are meant."""
    keyword = inspect.Parameter.KEYWORD_ONLY
    if study.of_reading:
        yield inspect.Parameter("reading", keyword, annotation=READING)
    for one in study.parameters.values():
        kind, option = typing.get_args(one.annotation)
        info = typer.Option(help=option.about, min=option.least, max=option.most)
        yield one.replace(annotation=Annotated[kind, info])
    for name in ASKED:
        yield inspect.Parameter(name, keyword, default=None, annotation=FILTERS[name])
    yield inspect.Parameter("simulated", keyword, default=False, annotation=WithSimulated)
    yield inspect.Parameter("logbook", keyword, default=None, annotation=LogbookAt)
    yield inspect.Parameter("as_json", keyword, default=False, annotation=AsJson)


def _carry_out(study: Study, *, logbook: str | None, simulated: bool, as_json: bool, **given: Any) -> None:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.studies.catalogue import compute_study

    which = run_filter(**{name: given.pop(name) for name in ASKED})
    reading = given.pop("reading") if study.of_reading else ""
    with Logbook.existing(logbook) as book:
        result = compute_study(study, book, real_runs(book, which, simulated=simulated), reading, **given)
    if as_json:
        print_json(dict(result.plain))
    else:
        print(*result.lines, sep="\n")
