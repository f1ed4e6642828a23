"""An output is off when it says so and when its terminals say so; by supplies of the tests' own on real sockets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.instruments.spoken import AT_THE_TERMINALS, OUTPUT, ScpiDigitizer, ScpiSupply, bench_of
from wavewright.errors import FileFault, OutputMayBeOn
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import SupplySetup
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run

QUICK = "wavewright-profile: 1\nname: quick\nextends: scpi-supply\ndischarged: {{below: {below}, within: {within}}}\n"
ON = SupplySetup(voltage=12.0, current_limit=1.0, output=True)
Opened = Callable[..., Bench]
RECIPE = """
wavewright: 1
title: Powered
measurements:
  powered:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 2k}
    stimulus: [{supply: {voltage: 12 V, current_limit: 1 A, output: on}}]
    compute: {swing: {metric: peak_to_peak, limit: 2 V ± 10 %}}
"""


@pytest.fixture
def supply() -> ScpiSupply:
    return ScpiSupply()


@pytest.fixture
def opened(tmp_path: Path, supply: ScpiSupply) -> Iterator[Opened]:
    with ExitStack() as stack:

        def call(*, below: str = "1 V", within: str = "5 s") -> Bench:
            (tmp_path / "quick.yaml").write_text(QUICK.format(below=below, within=within), encoding="utf-8")
            file = stack.enter_context(bench_of(tmp_path, {"supply": supply}, profiles={"supply": "quick.yaml"}))
            bench = stack.enter_context(open_bench(file))
            bench.reset()
            return bench

        yield call
        supply.sticks_at, supply.residue = None, []  # so that the bench can be left


def test_an_output_that_says_off_and_stays_at_its_voltage_may_be_on(supply: ScpiSupply, opened: Opened) -> None:
    bench = opened(within="0 s")
    bench.supply.apply_setup(ON)
    supply.sticks_at = 12.0
    with pytest.raises(OutputMayBeOn) as caught:
        bench.safe_state()
    assert supply.held[OUTPUT] == "0"
    for words in ("says that its output is off, and 12 V are at its terminals", "less than 1 V", "charge", "measure"):
        assert words in str(caught.value)


def test_the_terminals_are_given_time_to_discharge(supply: ScpiSupply, opened: Opened) -> None:
    bench = opened()
    bench.supply.apply_setup(ON)
    supply.sent.clear()
    supply.residue = [12.0, 6.0, -3.0, 0.9]
    bench.safe_state()
    assert supply.sent.count(AT_THE_TERMINALS) == 4
    assert supply.sent.count(f"{OUTPUT} 0") == 1


def test_the_level_is_the_profiles_own(supply: ScpiSupply, opened: Opened) -> None:
    bench = opened(below="13 V", within="0 s")
    supply.sticks_at = 12.6  # a battery on the board
    bench.safe_state()


def test_a_supply_that_has_no_value_of_its_terminals_may_be_on(supply: ScpiSupply, opened: Opened) -> None:
    bench = opened()
    supply.answers[AT_THE_TERMINALS] = "9.91E37"
    with pytest.raises(OutputMayBeOn, match=r"could not be confirmed off: .*`measured\.voltage` is nan"):
        bench.safe_state()
    supply.answers.clear()


def test_a_step_that_goes_on_at_once_does_not_wait(supply: ScpiSupply, opened: Opened) -> None:
    bench = opened(within="0 s")
    supply.residue = [12.0]  # what is left of the step before
    bench.supply.apply_setup(ON)
    assert supply.held[OUTPUT] == "1"
    supply.residue = []


def test_a_run_whose_output_does_not_go_off_ends_with_a_person_told_and_its_evidence_kept(
    tmp_path: Path, supply: ScpiSupply
) -> None:
    (tmp_path / "quick.yaml").write_text(QUICK.format(below="1 V", within="0 s"), encoding="utf-8")
    supply.at[f"{OUTPUT} 1"] = lambda: setattr(supply, "sticks_at", 12.0)
    devices = {"digitizer": ScpiDigitizer(), "supply": supply}
    with bench_of(tmp_path, devices, profiles={"supply": "quick.yaml"}) as bench:
        with pytest.raises(OutputMayBeOn) as caught:
            run(parse_recipe(RECIPE, "powered.yaml"), bench)
        assert isinstance(caught.value.outcome, Outcome)
        assert caught.value.outcome["powered.swing"].value == pytest.approx(2.0, rel=0.05)


def test_a_profile_without_a_sense_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "quick.yaml"
    path.write_text(QUICK.format(below="0 V", within="-1 s"), encoding="utf-8")
    with pytest.raises(FileFault) as caught:
        load_profile(str(path))
    assert f"{path}:4:" in str(caught.value)
    assert "`discharged.below` is 0 V" in str(caught.value)
    assert "`discharged.within` is -1 s" in str(caught.value)
