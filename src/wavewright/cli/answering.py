"""What commands share that ask a query about thousands of runs or files: who answers, and where answers go."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.gathered_options import gathered
from wavewright.cli.options import LogbookAt
from wavewright.cli.output import console

if TYPE_CHECKING:
    from wavewright.archive.answer import ItemAnswer
    from wavewright.archive.collecting import Answers
    from wavewright.archive.query import Query
    from wavewright.archive.workers import Workers

ClusterOf = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        help="Compute on a Dask cluster: `local`, `local:4`, or the scheduler's address, `tcp://server:8786`.",
        metavar="NAME",
    ),
]
TableAt = Annotated[
    str | None,
    typer.Option(
        "--table",
        help="Keep every result: in a .csv or .parquet file, in the `logbook`, or in another logbook. Repeat the "
        "command after a break, and it goes on where it stopped.",
        metavar="WHERE",
    ),
]
Afresh = Annotated[bool, typer.Option("--afresh", help="With --table, compute again what has been computed.")]
FileJobs = Annotated[int, typer.Option("--jobs", min=1, help="With several files, number of parallel processes.")]


@dataclass(frozen=True, slots=True)
class AnswersWanted:
    """What a command line says of who answers, and of where the answers go.

    Parameters
    ----------
    jobs, cluster : of the workers; table, afresh : as their options; logbook : that `--table logbook` means.
    """

    jobs: int
    cluster: str | None
    table: str | None
    afresh: bool
    logbook: str | None

    @property
    def is_kept(self) -> bool:
        """Whether a table has it all."""
        return self.table is not None

    @property
    def is_wanted(self) -> bool:
        """Whether workers or a table are asked for, so that one file is a pile too."""
        return self.cluster is not None or self.table is not None

    @contextmanager
    def answers(self, query: Query, items: Sequence[str], *, things: str = "files") -> Iterator[AnswersInOrder]:
        """The answers about all items, in their order, for the block; with a table, which is written after it.

        Parameters
        ----------
        things : what is counted, in the plural.
        """
        from wavewright.archive.answer_file import AnswerFile
        from wavewright.archive.answer_table import write_table
        from wavewright.archive.collecting import collect
        from wavewright.archive.kept_answers import open_answers
        from wavewright.cli.progress_bar import ProgressBar

        workers = self._workers(len(items))
        with open_answers(self.table, query, logbook=self.logbook, afresh=self.afresh) as answers:
            if known := sum(item in stamps for stamps in [answers.stamps()] for item in items):
                print(f"{known} of {len(items)} {things} are answered already; --afresh computes them again",
                      file=sys.stderr)  # fmt: skip
            with ProgressBar(console(stderr=True), things) as bar:
                try:
                    collect(query, items, workers, answers, said=lambda done, of: bar.update("computing", done, of))
                finally:
                    query.close()
            found = AnswersInOrder(answers, items)
            yield found
            if self.table is not None and isinstance(answers, AnswerFile):
                write_table(Path(self.table), found.tabled, query.columns)
                answers.remove()

    def _workers(self, count: int) -> Workers:
        """Who answers about this number of items."""
        if self.cluster is not None:
            from wavewright.archive.cluster import Cluster

            return Cluster(self.cluster)
        from wavewright.archive.workers import Processes, ThisProcess

        jobs = min(self.jobs, count)
        return Processes(jobs) if jobs > 1 else ThisProcess()


with_answers = gathered(
    "answering",
    {
        "jobs": (FileJobs, 1),
        "cluster": (ClusterOf, None),
        "table": (TableAt, None),
        "afresh": (Afresh, False),
        "logbook": (LogbookAt, None),
    },
    AnswersWanted,
)
"""For a command about files with the argument `answering`: who answers, and where answers go."""


class AnswersInOrder:
    """Answers that can be gone through again and again; in memory there is one at a time.

    Attributes
    ----------
    tabled : what the table is written from: the answers themselves, unless what comes of all of them is put here.
    """

    def __init__(self, answers: Answers, items: Sequence[str]) -> None:
        self._answers, self._items = answers, items
        self.tabled: Iterable[ItemAnswer] = self

    def __iter__(self) -> Iterator[ItemAnswer]:
        return self._answers.about(self._items)


def print_json_list(documents: Iterable[Any]) -> None:
    """A list as one JSON document on stdout, of which one entry is in memory at a time."""
    from wavewright.cli.output import json_text

    before = "[\n"
    for one in documents:
        sys.stdout.write(before + json_text([one])[2:-2])
        before = ",\n"
    sys.stdout.write("[]\n" if before == "[\n" else "\n]\n")
