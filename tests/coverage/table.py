"""`python -m tests.coverage.table`: the share of 95 % intervals that hold the truth, by metric and condition.

1000 captures for each cell unless `--draws` says otherwise; `--metric` takes a part of a name. Two processes.
"""

from __future__ import annotations

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from tests.coverage.cases import CASES, Case
from tests.coverage.tally import CONDITIONS, Tally, tally

BATCH = 25


def _batch(job: tuple[str, int, range, str]) -> list[tuple[int, int, Tally]]:
    shape, condition, numbers, part = job
    cases = [case for case in CASES if part in case.name]
    found = tally(shape, CONDITIONS[condition], numbers, cases)
    return [(CASES.index(case), condition, one) for case, one in found.items()]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--draws", type=int, default=1000)
    options.add_argument("--metric", default="")
    options.add_argument("--shape", default="")
    chosen = options.parse_args()
    cases = [case for case in CASES if chosen.metric in case.name and chosen.shape in case.shape]
    jobs = [
        (shape, condition, range(first, min(first + BATCH, chosen.draws)), chosen.metric)
        for shape in dict.fromkeys(case.shape for case in cases)
        for condition in range(len(CONDITIONS))
        for first in range(0, chosen.draws, BATCH)
    ]
    print(f"{'metric':28}{'signal':14}" + "".join(f"{one.name:>12}" for one in CONDITIONS) + "   in doubt", flush=True)
    cells: dict[tuple[int, int], Tally] = {}
    left = Counter(shape for shape, *_ in jobs)
    with ProcessPoolExecutor(2) as pool:
        for job, rows in zip(jobs, pool.map(_batch, jobs), strict=True):
            for index, condition, one in rows:
                cells.setdefault((index, condition), Tally()).add(one)
            left[job[0]] -= 1
            if not left[job[0]]:
                for case in cases:
                    if case.shape == job[0]:
                        print(_line(case, [cells[CASES.index(case), k] for k in range(len(CONDITIONS))]), flush=True)


def _line(case: Case, row: list[Tally]) -> str:
    cells = "".join(f"{100 * one.share:10.1f} %" if one.readings else f"{'none':>12}" for one in row)
    doubts = sum((one.doubts for one in row), start=Counter[str]())
    total = sum(one.readings for one in row) or 1
    words = ", ".join(f"{word} {100 * count / total:.0f} %" for word, count in doubts.most_common(3))
    return f"{case.name:28}{case.shape:14}{cells}   {words}"


if __name__ == "__main__":
    main()
