"""Options that say which runs of the logbook are meant."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.completion import complete_verdict
from wavewright.cli.gathered_options import gathered

if TYPE_CHECKING:
    from wavewright.logbook.book import Logbook
    from wavewright.logbook.queries import Filter

Part = Annotated[str | None, typer.Option("--part", help="Only runs of this part.")]
Serial = Annotated[
    str | None, typer.Option("--serial", help="Only runs of this serial number; `*` stands for anything.")
]
RecipeName = Annotated[
    str | None, typer.Option("--of-recipe", help="Only runs of this recipe: its file's name without the extension.")
]
VerdictWord = Annotated[
    str | None,
    typer.Option("--verdict", help="Only pass, fail, inconclusive or error.", autocompletion=complete_verdict),
]
Operator = Annotated[str | None, typer.Option("--operator", help="Only runs of this operator.")]
Station = Annotated[str | None, typer.Option("--station", help="Only runs of this station.")]
BatchName = Annotated[str | None, typer.Option("--batch-name", help="Only runs of this batch.")]
Since = Annotated[
    str | None, typer.Option("--since", help="Only runs from this UTC time on: 2026-03-02, 2026-03-02T08:00.")
]
Where = Annotated[
    list[str] | None,
    typer.Option(
        "--where",
        metavar="NAME=VALUE",
        help="Only runs that declare this, `work_order=WO-000123`; `*` stands for anything; may be repeated.",
    ),
]
Until = Annotated[str | None, typer.Option("--until", help="Only runs before this UTC time.")]
FILTERS: Mapping[str, Any] = MappingProxyType(
    {
        "part": Part,
        "serial": Serial,
        "recipe": RecipeName,
        "verdict": VerdictWord,
        "operator": Operator,
        "station": Station,
        "batch_name": BatchName,
        "since": Since,
        "until": Until,
        "where": Where,
    }
)
"""All of them by the name that `run_filter` has for each, in the order in which a command lists them."""

WithSimulated = Annotated[
    bool, typer.Option("--simulated", help="Include runs on simulated benches even where there are runs on real ones.")
]


def real_runs(book: Logbook, which: Filter, *, simulated: bool) -> Filter:
    """The filter without simulated runs where there are real ones, unless they are wanted; says so on stderr."""
    from wavewright.logbook.queries import without_simulated

    chosen = without_simulated(book, which, keep=simulated)
    if chosen.golden:
        print(f"{chosen.golden} runs of golden units are left out; --batch-name golden takes them", file=sys.stderr)
    if chosen.left_out:
        print(f"{chosen.left_out} runs on simulated benches are left out; --simulated includes them", file=sys.stderr)
    elif chosen.simulated:
        of = "all" if not chosen.real else f"{chosen.simulated} of {chosen.simulated + chosen.real}"
        print(f"{of} runs are on simulated benches: no real unit was measured in them", file=sys.stderr)
    return chosen.which


def run_filter(
    *,
    part: str | None = None,
    serial: str | None = None,
    recipe: str | None = None,
    verdict: str | None = None,
    operator: str | None = None,
    station: str | None = None,
    batch_name: str | None = None,
    since: str | None = None,
    until: str | None = None,
    where: Sequence[str] | None = None,
) -> Filter:
    """The filter that the options of a command make.

    Raises
    ------
    Misuse : a verdict or a time that is none, a declared field without a value.
    """
    from wavewright.logbook.filter_words import read_declared, read_filter

    words = {
        "part": part,
        "serial": serial,
        "recipe": recipe,
        "verdict": verdict,
        "operator": operator,
        "station": station,
        "batch": batch_name,
        "since": since,
        "until": until,
    }
    found = read_filter(words, written=lambda word, value: f"--{word} {value}")
    return replace(found, declared=read_declared(where or (), written=lambda word: f"--where {word}"))


with_run_filter = gathered("which", {name: (option, None) for name, option in FILTERS.items()}, run_filter)
"""For a command with the argument `which`: the filter that all of these options make."""
