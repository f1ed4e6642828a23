"""`wavewright plan`, `validate` and `run` say whether a set-up can decide its limits."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken

Command = Callable[..., Spoken]
BENCH = str(Path(__file__).parents[2] / "sim/bench.yaml")
UNFIT = """
wavewright: 1
title: The unit of a limit is wrong
measurements:
  feed:
    place: Probe 1 on TP1.
    channels: {feed: {input: 1, range: 40 V, offset: 12 V}}
    timebase: {span: 2 ms, points: 2k}
    compute: {level: {metric: mean, limit: at most 27 kV}}
"""
TOLD = "FITNESS: feed.level: this set-up cannot decide the limit"


@pytest.fixture
def recipe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "feed.yaml"
    path.write_text(UNFIT)
    return path


def test_plan_lists_it(recipe: Path, wavewright: Command) -> None:
    told = wavewright("plan", str(recipe), "--bench", BENCH)
    assert told.status == 0
    assert TOLD in told.stdout
    assert "rule `reach`: within the range there are values that pass and values that fail" in told.stdout
    (one,) = wavewright("plan", str(recipe), "--bench", BENCH, "--json").json["fitness"]
    assert (one["limit"], one["rule"], one["cannot_decide"]) == ("feed.level", "reach", True)


@pytest.mark.parametrize("how", [(BENCH,), ("--bench", BENCH)])
def test_validate_lists_it_beside_a_bench(how: tuple[str, ...], recipe: Path, wavewright: Command) -> None:
    told = wavewright("validate", str(recipe), *how)
    assert told.status == 0
    assert f"{recipe}:9:15: {TOLD}" in told.stdout
    found = wavewright("validate", str(recipe), *how, "--json").json
    assert found[str(recipe)] == []
    assert [one["rule"] for one in found["fitness"][str(recipe)]] == ["reach"]
    assert "fitness" not in wavewright("validate", str(recipe), "--json").json


def test_run_says_it_and_starts_all_the_same(recipe: Path, wavewright: Command) -> None:
    told = wavewright("run", str(recipe), "--bench", BENCH, "--yes", "--no-logbook")
    assert told.status == 2  # the limit could not have failed: in doubt
    assert TOLD in told.stderr
    assert "idle limit: it holds from" in told.stdout


def test_what_is_required_exits_3_and_leaves_nothing(recipe: Path, wavewright: Command) -> None:
    recipe.write_text(UNFIT.replace("measurements:", "fitness: required\nmeasurements:"))
    for command in (("run", "--yes", "--no-logbook"), ("validate",)):
        told = wavewright(command[0], str(recipe), "--bench", BENCH, *command[1:])
        assert told.status == 3, command
        assert "feed.level: this set-up cannot decide the limit" in told.stderr
        assert "do: widen `range` or move `offset`, or choose another limit" in told.stderr
    assert [path.name for path in recipe.parent.iterdir()] == ["feed.yaml"]


def test_a_batch_says_it_once(recipe: Path, wavewright: Command) -> None:
    (recipe.parent / "serials.txt").write_text("VC204-0001\nVC204-0002\n")
    told = wavewright(
        "run", str(recipe), "--bench", BENCH, "--yes", "--serials", "serials.txt", "--logbook", "lot.db",
    )  # fmt: skip
    assert told.stderr.count(TOLD) == 1
