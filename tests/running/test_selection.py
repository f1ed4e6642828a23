"""Which instruments of a bench a run takes: never one of several by chance."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.instruments.spoken import ScpiDigitizer, ScpiSupply, bench_of
from wavewright.errors import BenchFault, FileFault, Misuse
from wavewright.recipe.load import parse_recipe
from wavewright.running.run import run
from wavewright.running.run_options import RunOptions

RECIPE = """
wavewright: 1
title: One line
NEEDS
measurements:
  line:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 2k}
    compute: {swing: {metric: peak_to_peak}}
"""


def text(needs: str = "") -> str:
    return RECIPE.replace("NEEDS", needs)


@pytest.mark.parametrize("names", [("digitizer", "other"), ("fast", "slow")])
def test_two_of_a_role_are_a_fault_before_anything_is_sent(tmp_path: Path, names: tuple[str, str]) -> None:
    devices = dict(zip(names, (ScpiDigitizer(), ScpiDigitizer()), strict=True))
    profiles = dict.fromkeys(names, "scpi-digitizer")
    with bench_of(tmp_path, devices, profiles=profiles) as bench, pytest.raises(BenchFault) as caught:
        run(parse_recipe(text(), "line.yaml"), bench)
    assert f"several with the role digitizer: {', '.join(names)}" in str(caught.value)
    assert f"`needs: {{digitizer: {{instrument: {names[0]}}}}}`" in str(caught.value)
    assert f"`--instrument digitizer={names[0]}`" in str(caught.value)
    assert all(device.sent == [] for device in devices.values())


@pytest.mark.parametrize("how", ["recipe", "run", "run before recipe"])
def test_recipe_or_run_say_which(tmp_path: Path, how: str) -> None:
    fast, slow = ScpiDigitizer(), ScpiDigitizer()
    needs = {"recipe": "slow", "run": "", "run before recipe": "fast"}[how]
    recipe = parse_recipe(text(f"needs: {{digitizer: {{instrument: {needs}}}}}" if needs else ""), "line.yaml")
    chosen = {} if how == "recipe" else {"digitizer": "slow"}
    with bench_of(
        tmp_path, {"fast": fast, "slow": slow}, profiles=dict.fromkeys(("fast", "slow"), "scpi-digitizer")
    ) as bench:
        outcome = run(recipe, bench, RunOptions(instruments=chosen))
    assert outcome["line.swing"].value == pytest.approx(2.0, rel=0.05)
    assert list(outcome.identities) == ["slow"]
    assert fast.sent == []
    assert slow.sent


@pytest.mark.parametrize(
    "name, said, expected",
    [("third", "the bench has no `third`", "one of fast"), ("power", "`power` is a supply", "one of fast")],
)
def test_a_name_that_does_not_fit_is_told_with_its_place(tmp_path: Path, name: str, said: str, expected: str) -> None:
    devices = {"fast": ScpiDigitizer(), "power": ScpiSupply()}
    profiles = {"fast": "scpi-digitizer", "power": "scpi-supply"}
    recipe = parse_recipe(text(f"needs: {{digitizer: {{instrument: {name}}}}}"), "line.yaml")
    with bench_of(tmp_path, devices, profiles=profiles) as bench, pytest.raises(BenchFault) as caught:
        run(recipe, bench)
    assert str(caught.value).startswith(f"line.yaml:4:33: {said}")
    assert expected in str(caught.value)


def test_a_role_that_the_recipe_does_not_use_cannot_be_chosen(tmp_path: Path) -> None:
    with bench_of(tmp_path, {"digitizer": ScpiDigitizer()}) as bench, pytest.raises(Misuse, match="uses no meter"):
        run(parse_recipe(text(), "line.yaml"), bench, RunOptions(instruments={"meter": "meter"}))


def test_a_choice_that_is_no_name_is_refused_at_its_place() -> None:
    with pytest.raises(FileFault, match=r"line\.yaml:4:33"):
        parse_recipe(text("needs: {digitizer: {instrument: [a, b]}}"), "line.yaml")
