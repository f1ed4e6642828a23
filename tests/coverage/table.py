"""`python -m tests.coverage.table`: the share of 95 % intervals that hold the truth, by metric and condition.

1000 captures for each cell unless `--draws` says otherwise, of means of 16 shots a tenth as many means. `--metric` and
`--signal` take a part of a name; the readings together have the signals `difference`, `mean of 16` and `corrected`.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from tests.coverage.cases import CASES
from tests.coverage.joined import SETS
from tests.coverage.tally import CONDITIONS, Tally, tally

BATCH = 25
SHOTS_OF_A_MEAN = {"mean of 16": 10}  # fewer readings, of more captures each


@dataclass(frozen=True)
class Job:
    """Some captures of one signal under one condition."""

    signal: str
    condition: int
    numbers: range
    part: str

    def run(self) -> list[tuple[str, Tally]]:
        """Counts by the name of the metric."""
        condition = CONDITIONS[self.condition]
        if self.signal in SETS:
            return list(SETS[self.signal](condition, self.numbers).items())
        cases = [case for case in CASES if self.part in case.name]
        return [(case.name, one) for case, one in tally(self.signal, condition, self.numbers, cases).items()]


def jobs(draws: int, *, metric: str, signal: str) -> Iterator[Job]:
    """All that is to be done, signal by signal."""
    signals = dict.fromkeys(case.shape for case in CASES if metric in case.name)
    for name in (*signals, *SETS):
        if signal not in name or (name in SETS and metric):
            continue
        wanted = max(1, draws // SHOTS_OF_A_MEAN.get(name, 1))
        for condition in range(len(CONDITIONS)):
            for first in range(0, wanted, BATCH):
                yield Job(name, condition, range(first, min(first + BATCH, wanted)), metric)


def main() -> None:
    """Print the table, each signal as soon as it is done."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--draws", type=int, default=1000)
    options.add_argument("--metric", default="")
    options.add_argument("--signal", default="")
    options.add_argument("--processes", type=int, default=2)
    chosen = options.parse_args()
    todo = list(jobs(chosen.draws, metric=chosen.metric, signal=chosen.signal))
    left = Counter(job.signal for job in todo)
    cells: defaultdict[tuple[str, str], list[Tally]] = defaultdict(lambda: [Tally() for _ in CONDITIONS])
    print(f"{'metric':28}{'signal':14}" + "".join(f"{one.name:>12}" for one in CONDITIONS) + "   in doubt", flush=True)
    with ProcessPoolExecutor(chosen.processes) as pool:
        for job, rows in zip(todo, pool.map(Job.run, todo), strict=True):
            for name, counted in rows:
                cells[job.signal, name][job.condition].add(counted)
            left[job.signal] -= 1
            if not left[job.signal]:
                for (signal, name), row in cells.items():
                    if signal == job.signal:
                        print(_line(signal, name, row), flush=True)


def _line(signal: str, name: str, row: list[Tally]) -> str:
    cells = "".join(f"{100 * one.share:10.1f} %" if one.readings else f"{'none':>12}" for one in row)
    doubts = sum((one.doubts for one in row), start=Counter[str]())
    total = sum(one.readings for one in row) or 1
    words = ", ".join(f"{word} {100 * count / total:.0f} %" for word, count in doubts.most_common(3))
    return f"{name:28}{signal:14}{cells}   {words}".rstrip()


if __name__ == "__main__":
    main()
