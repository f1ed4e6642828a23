"""What meter and supply read, and the instrument's own values beside ours: listed, and of no consequence."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.running.conftest import POWERED, ROOT
from tests.running.test_measurement_sequence import Desk
from wavewright.errors import BadAnswer, FileFault, LinkLost, NoAnswer, TimeUp, WavewrightError
from wavewright.instruments import deadlines, visa_wire
from wavewright.instruments.bench import Bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.profile import load_profile
from wavewright.instruments.vocabulary import Role
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.running.evaluation import Evaluation, evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan
from wavewright.running.result import CrossCheck, Result
from wavewright.running.run import run
from wavewright.running.run_options import RunOptions
from wavewright.simulation.devices.acquiring import AcquiringInstrument
from wavewright.simulation.front_end import Codes

RECIPE = (
    POWERED
    + """\
    shots: 2
    compute: {mean: {limit: 3.3 V ± 5 %}}
    meter:
      rail: {quantity: dc_voltage, range: 10 V, cycles: 1, limit: 3.3 V ± 2 %}
      current: {quantity: dc_current, limit: 100 mA .. 200 mA, over: mean}
"""
)


def test_the_meter_is_read_after_every_shot_and_held_against_its_limit(run_text: Callable[..., Outcome]) -> None:
    # math: 24 V across the board's 160 ohm are 150 mA; the rail lies within 1 % of 3.3 V, as the board file has it
    outcome = run_text(RECIPE)
    results = outcome.results
    assert results["powered.rail"].verdict is Verdict.PASS
    assert len(results["powered.rail"].shots) == 2
    assert results["powered.current"].reading.value == pytest.approx(0.150, rel=0.02)
    assert results["powered.current"].reading.unit == "A"
    assert results["powered.rail"].metric == "dc_voltage"


def test_what_the_meter_read_is_kept_with_the_capture_and_can_be_judged_again(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(RECIPE)
    measurement = parse_recipe(RECIPE, "m.yaml").measurements[0]
    again = {result.name: result for result in evaluate(measurement, outcome.captures["powered"])}
    assert again["rail"].reading == outcome.results["powered.rail"].reading


def test_a_capture_without_the_reading_is_inconclusive(run_text: Callable[..., Outcome]) -> None:
    without = RECIPE[: RECIPE.index("    meter:")]
    captures = run_text(without).captures["powered"]
    results = evaluate(parse_recipe(RECIPE, "m.yaml").measurements[0], captures)
    (rail,) = (result for result in results if result.name == "rail")
    assert rail.verdict is Verdict.INCONCLUSIVE
    assert rail.reason == "it was not read in this run"


def test_the_plan_says_what_the_meter_is_asked() -> None:
    names = ("scpi-digitizer", "scpi-supply", "scpi-meter")
    profiles = {profile.role: profile for profile in map(load_profile, names)}
    (one,) = plan(parse_recipe(RECIPE, "m.yaml"), profiles, attenuations={}).measurements
    asked = [step for step in one.for_every_shot if step.role == Role.METER]
    assert [step.purpose for step in asked] == ["read rail", "read current"]
    assert all(step.messages[-1].endswith("?") for step in asked)


@pytest.mark.parametrize(
    "wrong, said",
    [
        ("quantity: dc_voltag,", "did you mean `dc_voltage`?"),
        ("quantity: dc_voltage, range: 10 A,", "`10 A` is a current"),
        ("quantity: dc_voltage, rnage: 10 V,", "did you mean `range`?"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_place(wrong: str, said: str) -> None:
    with pytest.raises(FileFault) as caught:
        parse_recipe(RECIPE.replace("quantity: dc_voltage, range: 10 V,", wrong), "m.yaml")
    assert said in str(caught.value)
    assert "m.yaml:14:" in str(caught.value)


CHECKED = """
wavewright: 1
title: Cross-check
CROSS
measurements:
  rail_level:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    compute: {mean: {limit: 3.3 V ± 5 %}, maximum: {}, ac_rms: {}, rms: {}}
  drive:
    place: Probe 1 on TP4.
    channels: {drive: {input: 1, range: 40 V, offset: 12 V, probe: 10x}}
    timebase: {span: 16 ms, points: 16k}
    trigger: {mode: auto, level: 12 V}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: 40 %}}]
    derived: {twice: "2 * drive"}
    compute:
      duty_factor: {of: drive, limit: 40 % ± 1 pp}
      frequency: {of: drive, limit: 1.25 kHz ± 1 %}
      amplitude: {of: drive, limit: 24 V ± 5 %}
      twice_amplitude: {metric: amplitude, of: twice, limit: 48 V ± 5 %}
"""

WITHOUT, WITH = CHECKED.replace("CROSS\n", ""), CHECKED.replace("CROSS", "cross_check: true")

BENCHES = ("bench", "bench_grid", "bench_plain")


@cache
def on_bench(name: str, text: str) -> Outcome:
    return run(
        parse_recipe(text, "recipe.yaml"),
        load_bench(ROOT / f"sim/{name}.yaml"),
        RunOptions(seed=204),
        pause=lambda seconds: None,
    )


def checks(outcome: Outcome) -> dict[str, CrossCheck]:
    return {f"{one.name}.{check.name}": check for one in outcome.measurements for check in one.cross_checks}


def test_the_instruments_own_value_stands_beside_ours_with_the_difference() -> None:
    found = checks(on_bench("bench", WITH))
    # neither rms, which the profile cannot ask for, nor a channel that only we know
    assert list(found) == [
        "rail_level.mean", "rail_level.maximum", "rail_level.ac_rms",
        "drive.duty_factor", "drive.frequency", "drive.amplitude",
    ]  # fmt: skip
    for check in found.values():
        assert check.theirs is not None, check.remark
        assert check.ours is not None
        assert check.difference == check.theirs - check.ours


@pytest.mark.parametrize("bench", BENCHES)
@pytest.mark.parametrize(
    "name, allowed",
    [
        # math: both are of the same codes, so they differ by how the answer is rounded: three digits in the poorest
        ("rail_level.mean", 0.005 * 3.4),
        ("rail_level.maximum", 0.005 * 3.5),
        # math: an edge is taken to the next sample, at each end of 800 samples
        ("drive.duty_factor", 2 / 800),
        # math: one sample more or less in the 19 or so periods of 800 samples, and three digits
        ("drive.frequency", 1250 / (19 * 800) + 5),
        # math: two levels, each to half a code of the coarsest converter
        ("drive.amplitude", 40 / 256),
    ],
)
def test_own_arithmetic_of_the_instrument_agrees_with_ours(bench: str, name: str, allowed: float) -> None:
    found = checks(on_bench(bench, WITH))
    if name not in found:
        assert bench == "bench_plain"  # whose language has no word for it
        return
    assert found[name].difference == pytest.approx(0, abs=allowed)


@pytest.mark.parametrize("bench", BENCHES)
def test_readings_and_verdicts_are_the_same_with_and_without(bench: str) -> None:
    plain, crossed = on_bench(bench, WITHOUT), on_bench(bench, WITH)
    assert not checks(plain)
    assert crossed.verdict is plain.verdict is Verdict.PASS
    for name, result in plain.results.items():
        assert crossed.results[name].verdict == result.verdict
        # the bench's clock goes on by a few messages more, whose rounding moves an instant by less than that
        assert crossed[name].value == pytest.approx(result.reading.value, rel=1e-6, abs=1e-12)


def test_without_the_wish_nothing_is_asked_and_the_wish_may_come_with_the_run() -> None:
    bench = load_bench(ROOT / "sim/bench.yaml")
    outcome = run(
        parse_recipe(WITHOUT, "recipe.yaml"), bench, RunOptions(seed=204, cross_check=True), pause=lambda seconds: None
    )
    assert len(checks(outcome)) == 6


def test_the_scenario_lists_every_metric_that_the_instrument_knows() -> None:
    bench = load_bench(ROOT / "sim/bench.yaml")
    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    outcome = run(recipe, bench, RunOptions(seed=204, cross_check=True), pause=lambda seconds: None)
    assert (outcome.error, [one.error for one in outcome.measurements]) == ("", [""] * len(outcome.measurements))
    listed = {f"{one.label}.{check.name}": check for one in outcome.measurements for check in one.cross_checks}
    assert list(listed) == [
        "rail_noise.ripple",
        *(f"coil_drive[duty={duty} %].{name}" for duty in (10, 40, 90) for name in ("duty_factor", "overshoot")),
        "enable_line.frequency",
    ]
    # math: a code of 200 mV / 256, twice; a sample of 20 ns at each end of 800 us; a code over the swing of 24 V at
    # 40 V / 256 a code, twice; one sample of 10 ns in 60 ms
    allowed = {"ripple": 2 * 0.2 / 256, "duty_factor": 2 * 20e-9 / 800e-6 + 1e-4, "overshoot": 2 * 40 / 256 / 24}
    for name, check in listed.items():
        assert check.difference == pytest.approx(0, abs=allowed.get(check.name, 10e3 * 10e-9 / 60e-3)), name


# What an instrument may do instead of answering properly, and what is then said of it.
TROUBLES = [
    ("fault: another answer, text: 'in the middle of the screen'", "is not a number"),
    ("fault: another answer, text: '9.91E37'", "the instrument has no value"),
    ("fault: another answer, text: '-9.9E+37'", "the instrument has no value"),
    ("fault: another answer, text: ''", "the answer is empty"),
    ("fault: another answer, text: '1\\0002'", "contains bytes that are not text"),
    ("fault: garbage first, text: '1;'", "is not a number"),
    ("fault: errors, count: 30, code: -310", "-310"),
    ("fault: delay, by: 100 s", "no answer within 2 s after"),
    ("fault: drop the link, bytes: 2", "VI_ERROR_CONN_LOST"),
    ("fault: stuck busy", ""),
]


@pytest.mark.parametrize("trouble, said", TROUBLES, ids=[row[0].removeprefix("fault: ") for row in TROUBLES])
def test_an_instrument_that_does_not_answer_properly_costs_a_remark_and_nothing_else(
    tmp_path: Path, run_text: Callable[..., Outcome], trouble: str, said: str
) -> None:
    faults = tmp_path / "faults.yaml"
    order = f"{{instrument: digitizer, at: '^FETC', {trouble}}}"
    faults.write_text(f"wavewright-faults: 1\nfaults:\n  it: {order}\n", encoding="utf-8")
    outcome = run_text(WITH, on=with_simulation(faults=str(faults)), seed=204)
    plain = on_bench("bench", WITHOUT)
    assert (outcome.error, [one.error for one in outcome.measurements]) == ("", ["", ""])
    assert {name: one.verdict for name, one in outcome.results.items()} == {
        name: one.verdict for name, one in plain.results.items()
    }
    for name, result in plain.results.items():
        assert outcome[name].value == pytest.approx(result.reading.value, rel=1e-3, abs=1e-3)
    if said:
        assert checks(outcome)
        for check in checks(outcome).values():
            assert (check.theirs, check.difference) == (None, None)
            assert said in check.remark


def test_a_restart_while_it_is_asked_for_its_own_values_is_an_error(
    tmp_path: Path, run_text: Callable[..., Outcome]
) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text(
        "wavewright-faults: 1\nfaults:\n  it: {instrument: digitizer, at: '^FETC', fault: reset}\n", encoding="utf-8"
    )
    outcome = run_text(WITH, on=with_simulation(faults=str(faults)))
    assert all("it was switched off and on" in one.error for one in outcome.measurements)


ENDED = [  # what the last question of a cross-check may meet, and which measurements are made all the same
    (LinkLost("the connection is gone"), ["rail_level"], "the connection is gone"),
    (TimeUp("the run has not ended within 1 s"), ["rail_level"], "the run has not ended within 1 s"),
    (BadAnswer("`?` is not a number"), ["rail_level", "drive"], ""),
    (NoAnswer("no answer within 2 s"), ["rail_level", "drive"], "2 consecutive measurements ended without an answer"),
]


@pytest.mark.parametrize("fault, made, error", ENDED, ids=[type(row[0]).__name__ for row in ENDED])
def test_no_reading_is_lost_with_an_instrument_that_fails_in_the_cross_check(
    run_text: Callable[..., Outcome],
    monkeypatch: pytest.MonkeyPatch,
    fault: WavewrightError,
    made: list[str],
    error: str,
) -> None:
    def fails(bench: Bench) -> None:
        raise fault

    monkeypatch.setattr(Bench, "check_restarts", fails)
    outcome = run_text(WITH, seed=204)
    assert outcome.error.startswith(error)
    assert bool(outcome.error) == bool(error)
    assert_whole(outcome, made, remark=f"the cross-check was not completed: {fault.what}")
    first = outcome.measurements[0]
    assert [check.name for check in first.cross_checks] == ["mean", "maximum", "ac_rms"]


def test_no_reading_is_lost_by_a_signal_in_the_cross_check(run_text: Callable[..., Outcome]) -> None:
    store = Desk()
    store.sends = lambda line: signal.raise_signal(signal.SIGINT) if "FETCh:VOLTage:FREQuency?" in line else None
    outcome = run_text(WITH, seed=204, store=store)
    assert outcome.error == "interrupted by SIGINT"
    assert_whole(outcome, ["rail_level", "drive"])
    last = outcome.measurements[-1]
    assert last.remarks[-1] == "the cross-check was not completed: interrupted by SIGINT"
    assert [check.name for check in last.cross_checks] == ["duty_factor"]  # what had come before


def test_no_reading_is_lost_by_a_signal_while_all_shots_are_joined(
    run_text: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    joined, came = Evaluation.results, list[bool]()

    def results(evaluation: Evaluation) -> tuple[Result, ...]:
        if not came:
            came.append(True)
            signal.raise_signal(signal.SIGINT)
        return joined(evaluation)

    monkeypatch.setattr(Evaluation, "results", results)
    outcome = run_text(WITHOUT, seed=204)
    assert outcome.error == "interrupted by SIGINT"
    assert_whole(outcome, ["rail_level"])


def assert_whole(outcome: Outcome, made: list[str], *, remark: str | None = None) -> None:
    """These measurements were made, and each has the readings and verdicts of a run without cross-checks."""
    plain = on_bench("bench", WITHOUT)
    assert [(one.name, one.error) for one in outcome.measurements] == [(name, "") for name in made]
    for name, result in plain.results.items():
        if name.partition(".")[0] in made:
            found = outcome.results[name]
            assert (found.verdict, found.reading.doubts) == (result.verdict, result.reading.doubts)
            assert found.reading.value == pytest.approx(result.reading.value, rel=1e-3, abs=1e-3)
    if remark is not None:
        assert all(remark in one.remarks for one in outcome.measurements)


class Hurried:
    """The clock of deadlines and wires, which a test puts on."""

    def __init__(self) -> None:
        self.ahead = 0.0

    def monotonic(self) -> float:
        return time.monotonic() + self.ahead


@pytest.mark.parametrize("bench", BENCHES)
def test_what_a_loaded_computer_needs_for_the_simulated_bench_is_no_wait_for_an_instrument(
    run_text: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch, bench: str
) -> None:
    clock, codes = Hurried(), AcquiringInstrument.codes
    monkeypatch.setattr(deadlines, "time", clock)
    monkeypatch.setattr(visa_wire, "time", clock)

    def computed(device: Any, number: int) -> Codes:
        clock.ahead += 60.0  # longer than any answer may take
        return codes(device, number)

    monkeypatch.setattr(AcquiringInstrument, "codes", computed)
    outcome = run_text(WITH, on=load_bench(ROOT / f"sim/{bench}.yaml"), seed=204, time_limit=86400.0)
    assert (outcome.error, [one.error for one in outcome.measurements]) == ("", ["", ""])
    assert clock.ahead >= 60.0 * (2 + len(checks(outcome)))  # it was asked for records and own values
    assert {name: (one.theirs, one.remark) for name, one in checks(outcome).items()} == {
        name: (one.theirs, one.remark) for name, one in checks(on_bench(bench, WITH)).items()
    }


def test_the_limit_of_a_run_is_not_put_off_by_what_the_simulated_bench_computes(
    run_text: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, codes = Hurried(), AcquiringInstrument.codes
    monkeypatch.setattr(deadlines, "time", clock)
    monkeypatch.setattr(visa_wire, "time", clock)

    def computed(device: Any, number: int) -> Codes:
        clock.ahead += 60.0
        return codes(device, number)

    monkeypatch.setattr(AcquiringInstrument, "codes", computed)
    outcome = run_text(WITH, seed=204, time_limit=90.0)
    assert outcome.error.startswith("the run has not ended within 90 s")


def with_simulation(**settings: str) -> BenchFile:
    file = load_bench(ROOT / "sim/bench.yaml")
    changed = {**file.grammar.simulation, **settings}
    return replace(file, grammar=file.grammar.model_copy(update={"simulation": changed}))


def test_an_unknown_query_is_the_instruments_complaint_and_not_that_of_the_next_measurement(
    tmp_path: Path, run_text: Callable[..., Outcome]
) -> None:
    (tmp_path / "own.yaml").write_text(
        "wavewright-profile: 1\nname: own\nextends: scpi-digitizer\n"
        'own_values: {mean: {ask: "FETCh:VOLTage:COLour? (@{input})"}}\n'
    )
    text = (ROOT / "sim/bench.yaml").read_text().replace("profile: scpi-digitizer", "profile: own.yaml")
    text = text.replace('"instruments.yaml@sim"', f'"{(ROOT / "sim/instruments.yaml").as_posix()}@sim"')
    (tmp_path / "bench.yaml").write_text(text.replace("vc204.yaml", str(ROOT / "sim/vc204.yaml")))
    outcome = run_text(WITH, on=load_bench(tmp_path / "bench.yaml"))
    assert outcome.verdict is Verdict.PASS
    found = checks(outcome)
    assert "-113" in found["rail_level.mean"].remark
    assert found["rail_level.maximum"].theirs is not None  # the link is in step for the next query


def test_the_command_exits_and_judges_as_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from wavewright.cli.main import execute

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    (tmp_path / "recipe.yaml").write_text(WITHOUT.replace("3.3 V ± 5 %", "3.0 V ± 5 %"), encoding="utf-8")
    told = []
    for options in ([], ["--cross-check"]):
        status = execute(
            ["run", "recipe.yaml", "--bench", str(ROOT / "sim/bench.yaml"), "--seed", "204", "--yes", *options]
        )
        lines = capsys.readouterr().out.splitlines()
        told.append((status, [line for line in lines if line.startswith(("rail_level  ", "drive  "))]))
        says = [line for line in lines if ", computed " in line]
        assert len(says) == (6 if options else 0)
    assert told[0] == told[1]
    assert told[0][0] == 1  # fail: 3.3 V where 3.0 V ± 5 % is asked
