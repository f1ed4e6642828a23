"""kill -9 at a random moment, and everything is looked at afterwards: 60 times, and 1,000 with WAVEWRIGHT_PROOF=full.

How many shots a killed command had begun is told by its log on stderr, written by other code than the evidence is.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import sqlite3
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.breaking_off.prepared import ROOT, Prepared, prepared
from wavewright.instruments.wire_log import read_wire_log
from wavewright.logbook.book import Logbook
from wavewright.logbook.outcome_files import read_outcome
from wavewright.logbook.recompute import recompute

pytestmark = [pytest.mark.slow, pytest.mark.posix("forks the command that it kills")]

TIMES = 1000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 60
IN_A_FOLDER = 20  # kills, then a new one: what looks at all runs would take ever longer
RECIPE = """\
wavewright: 1
title: Rail under two loads
part: VC-204
parameters:
  volts: {default: 24 V}
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 3.3 V}
    shots: 5
    for_each: {volts: [20 V, 24 V]}
    stimulus: [{supply: {voltage: $volts, current_limit: 1 A, output: on}, then_wait: 1 ms}]
    compute:
      mean: {of: rail, limit: 3.3 V ± 5 %}
      ripple: {metric: peak_to_peak, of: rail}
    supply:
      drawn: {quantity: current}
"""
WHOLE = 10  # shots of a run
RUN = ("-vv", "run", "recipe.yaml", "--bench", ROOT / "sim/bench.yaml", "--yes", "--logbook", "book.sqlite")
BEGUN = re.compile(r"digitizer.*INITiate(?!:)")


@dataclass
class Ground:
    """One folder with evidence and logbook, and what was done in it."""

    command: Prepared
    folder: Path
    chance: random.Random
    longest: dict[str, float]
    done: Counter[str] = field(default_factory=Counter)
    units: int = 0

    def kill(self, name: str, *arguments: object) -> str:
        """Start a command and kill it at a random moment of the time that it takes; returns what it said until then."""
        started = self.command.start(*arguments, folder=self.folder)
        if started.is_on_after(self.chance.uniform(0, self.longest[name])):
            started.signal(signal.SIGKILL)
        ended = started.end()
        self.done[f"{name}, killed" if ended.status == -signal.SIGKILL else f"{name}, ended before"] += 1
        return ended.stderr

    def unit(self) -> str:
        self.units += 1
        return f"VC204-{self.units:04}"

    def killed_runs(self, *, batch: bool) -> int:
        """Kill a run, or a batch of three; returns how many shots had been begun."""
        if not batch:
            return len(BEGUN.findall(self.kill("run", *RUN, "--serial", self.unit())))
        (self.folder / "serials.txt").write_text("".join(f"{self.unit()}\n" for _ in range(3)))
        return len(BEGUN.findall(self.kill("batch", *RUN, "--serials", "serials.txt", "--batch-name", "lot-7")))

    def well(self, *arguments: object, status: int = 0) -> str:
        ended = self.command.run(*arguments, folder=self.folder)
        assert ended.status == status, (arguments, ended)
        assert "Traceback" not in ended.stderr
        assert "defect" not in ended.stderr
        return ended.stdout

    def shots(self) -> int:
        with sqlite3.connect(self.folder / "book.sqlite") as book:
            documents = [json.loads(text) for (text,) in book.execute("select document from outcomes")]
        return sum(one["shots"] for document in documents for one in document["measurements"])

    def look(self, begun: int, before: int) -> None:
        """Everything that a command may have left: evidence, logbook, captures; `begun` shots since there were
        `before` in the logbook.
        """
        outcomes = self.folder / "outcomes"
        if outcomes.is_dir():
            self.well("logbook", "import", "outcomes", "--logbook", "book.sqlite")
        self.well("logbook", "verify", "--logbook", "book.sqlite")
        assert begun - 1 <= self.shots() - before <= begun, "more than the shot in the air was lost"
        with Logbook(self.folder / "book.sqlite") as book, sqlite3.connect(self.folder / "book.sqlite") as plain:
            runs = [name for (name,) in plain.execute("select id from outcomes order by started desc limit 3")]
            for run in runs:
                assert recompute(book.outcome(run)).is_same
            (count,) = plain.execute("select count(*) from outcomes").fetchone()
        evidence = [path for path in outcomes.glob("*") if not path.name.startswith(".")]
        assert count == len(evidence), "each run is entered once"
        for folder in evidence[-3:]:
            outcome = read_outcome(folder)
            assert sum(len(shots) for shots in outcome.captures.values()) == sum(
                one.shots for one in outcome.measurements
            )
            with (folder / "wire.log").open() as log:
                assert list(read_wire_log(log))


def typical(command: Prepared, folder: Path) -> dict[str, float]:
    """How long each command takes when nobody kills it, s: what moments are drawn from."""
    import time

    def took(*arguments: object) -> float:
        begin = time.monotonic()
        assert command.run(*arguments, folder=folder).status in (0, 1)
        return time.monotonic() - begin

    (folder / "recipe.yaml").write_text(RECIPE)
    run = min(took(*RUN) for _ in range(3))
    book = ("--logbook", "book.sqlite")
    return {
        "run": 1.05 * run,
        "batch": 2.5 * run,
        "import": 1.3 * took("logbook", "import", "outcomes", *book),
        "recompute": 1.1 * took("recompute", "--all", "--jobs", "1", *book),
        "prune": 1.1 * took("logbook", "prune", "--yes", *book),
    }


def test_killed_at_any_moment_loses_at_most_the_shot_in_the_air(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, right, done = random.Random(204), 0, Counter[str]()
    with prepared(tmp_path) as command:
        (tmp_path / "typical").mkdir()
        longest = typical(command, tmp_path / "typical")
        while right < TIMES:
            folder = tmp_path / f"folder-{right:04}"
            folder.mkdir()
            (folder / "recipe.yaml").write_text(RECIPE)
            ground = Ground(command, folder, chance, longest)
            ground.well(*RUN, "--serial", ground.unit())
            for _ in range(min(IN_A_FOLDER, TIMES - right)):
                before = ground.shots()
                begun = ground.killed_runs(batch=chance.random() < 0.2)
                after = chance.choice(["nothing", "import", "import", "prune", "recompute"])
                if after == "import" and (folder / "outcomes").is_dir():
                    ground.kill("import", "logbook", "import", "outcomes", "--logbook", "book.sqlite")
                elif after == "prune":
                    ground.kill("prune", "logbook", "prune", "--yes", "--logbook", "book.sqlite")
                elif after == "recompute":
                    ground.kill("recompute", "recompute", "--all", "--jobs", "1", "--logbook", "book.sqlite")
                ground.look(begun, before)
                right += 1
            # the next run works, and nothing is left of the others
            before = ground.shots()
            ground.well(*RUN, "--serial", ground.unit())
            ground.look(WHOLE, before)
            ground.well("recompute", "--all", "--jobs", "1", "--logbook", "book.sqlite")
            ground.well("logbook", "prune", "--yes", "--logbook", "book.sqlite")
            left = [*(folder / "outcomes").glob(".*"), *(folder / "book.sqlite.captures").glob(".*")]
            assert left == []
            done += ground.done
            if TIMES > 60:
                with capsys.disabled():
                    print(f"\n{right} kills, all right so far", end="", flush=True)
    with capsys.disabled():
        print(
            f"\nkill -9: {right} tried, {right} right; {', '.join(f'{n} {what}' for what, n in sorted(done.items()))}"
        )
