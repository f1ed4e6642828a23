"""Recipes as tests, as pytest itself sees them: pytest runs inside pytest (its own plugin `pytester`)."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from wavewright.logbook import kept_run
from wavewright.logbook.book import Logbook
from wavewright.logbook.recompute import recompute
from wavewright.running.outcome import Outcome

pytest_plugins = ["pytester"]

ROOT = Path(__file__).parents[1]
BENCH, FAULTY = ROOT / "sim/bench.yaml", ROOT / "sim/bench_faulty.yaml"
RAIL = """\
wavewright: 1
title: Rail
part: VC-204
parameters: {most: {default: 40 mV}}
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    for_each: {span: [100 us, 200 us]}
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: $span, rate: 25 MHz}
    trigger: {mode: auto, edge: rising, level: 0 V, timeout: 1 s}
    compute:
      ripple: {metric: peak_to_peak, limit: at most $most}
      ripple_tone: {metric: strongest_tone, limit: 340 kHz ± 5 %}
  picture:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x}}
    timebase: {span: 40 us, rate: 25 MHz}
    trigger: {mode: auto, edge: rising, level: 0 V, timeout: 1 s}
    compute:
      mean: {of: rail}
"""
NAMES = [
    "rail_noise.ripple[span=100 us]",
    "rail_noise.ripple_tone[span=100 us]",
    "rail_noise.ripple[span=200 us]",
    "rail_noise.ripple_tone[span=200 us]",
    "picture",
]


@pytest.fixture(scope="module", autouse=True)
def imported(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A pytest inside pytest forgets what it has imported, and numpy cannot be imported twice: have it all before."""
    folder = tmp_path_factory.mktemp("warm")
    (folder / "rail.yaml").write_text(RAIL)
    with Logbook(folder / "book.sqlite"), pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_RUNTIME_DIR", str(folder))
        kept_run.run(folder / "rail.yaml", bench=BENCH, out=folder / "kept", logbook=folder / "book.sqlite")


@pytest.fixture
def suite(pytester: pytest.Pytester) -> pytest.Pytester:
    """A folder with one recipe and nothing of this suite's settings."""
    pytester.makefile(".yaml", rail=RAIL)
    return pytester


def test_a_recipe_is_one_test_a_limit(suite: pytest.Pytester) -> None:
    told = suite.runpytest_inprocess("--bench", BENCH, "--collect-only", "-q")
    assert told.outlines[:5] == [f"rail.yaml::{name}" for name in NAMES]


def test_a_healthy_board_passes(suite: pytest.Pytester) -> None:
    suite.runpytest_inprocess("--bench", BENCH).assert_outcomes(passed=5)


def test_a_failing_limit_says_reading_limit_and_margin_without_a_traceback(suite: pytest.Pytester) -> None:
    told = suite.runpytest_inprocess("--bench", FAULTY)
    told.assert_outcomes(passed=3, failed=2)
    told.stdout.re_match_lines(
        [
            r"_+ rail: rail_noise\.ripple\[span=100 us\] _+",
            r"fail: peak_to_peak is [\d.]+ mV(, record only| ± .*V); limit at most 40 mV; margin -[\d.]+ mV; "
            r"[\d.]+ mV exceeds the limit .*",
        ]
    )
    assert "Traceback" not in told.stdout.str()
    assert ".py:" not in told.stdout.str()


def test_the_recipe_is_run_once_and_not_at_all_if_no_test_of_it_is_chosen(suite: pytest.Pytester) -> None:
    suite.runpytest_inprocess("--bench", BENCH, "-k", "ripple_tone", "--wavewright-out", "kept").assert_outcomes(
        passed=2, deselected=3
    )
    assert len(list((suite.path / "kept").glob("[!.]*"))) == 1
    suite.runpytest_inprocess("--bench", BENCH, "-k", "nothing_like_it", "--wavewright-out", "none")
    assert not (suite.path / "none").exists()


def test_a_marker_chooses_by_measurement(suite: pytest.Pytester) -> None:
    told = suite.runpytest_inprocess("--bench", BENCH, "--strict-markers", "-m", "recipe(measurement='picture')")
    told.assert_outcomes(passed=1, deselected=4)


def test_a_parameter_serial_and_seed_reach_the_run(suite: pytest.Pytester) -> None:
    options = ["--wavewright-serial", "VC204-0017", "--wavewright-seed", "7", "--wavewright-set", "most=1 mV"]
    told = suite.runpytest_inprocess("--bench", BENCH, *options, "--wavewright-logbook", "book.sqlite")
    told.assert_outcomes(passed=3, failed=2)
    told.stdout.fnmatch_lines("*limit at most 1 mV*")
    with Logbook(suite.path / "book.sqlite") as book:
        outcome = book.outcome("last")
    assert (outcome.serial, outcome.seed) == ("VC204-0017", 7)


def test_a_guard_band_decides_and_its_probability_is_a_property(suite: pytest.Pytester) -> None:
    # the rail's ripple is some 24 mV ± 0.7 mV: at most 24.5 mV is a pass without a guard band, or a fail, and neither
    suite.makefile(".yaml", rail=RAIL.replace("parameters:", "judge: guarded with guard 5 U\nparameters:"))
    told = suite.runpytest_inprocess("--bench", BENCH, "--wavewright-set", "most=24.5 mV", "--junitxml", "out.xml")
    told.assert_outcomes(passed=3, failed=2)
    told.stdout.fnmatch_lines("*but by less than the guard band of*probability of conformance*")
    for case in Xml.parse(suite.path / "out.xml").iter("testcase"):
        known = {one.get("name"): one.get("value") for one in case.iter("property")}
        if "ripple" in str(case.get("name")):
            assert known["decision_rule"] == "guarded with guard 5 U"
            assert 0 <= float(known["probability_of_conformance"] or "nan") <= 1
            assert float(known["expanded_uncertainty"] or "nan") > 0


def test_junit_xml_has_the_reading_as_properties(suite: pytest.Pytester) -> None:
    suite.runpytest_inprocess("--bench", FAULTY, "--junitxml", "out.xml")
    root = Xml.parse(suite.path / "out.xml").getroot()
    cases = {case.get("name"): case for case in root.iter("testcase")}
    assert list(cases) == NAMES
    case = cases["rail_noise.ripple[span=200 us]"]
    known = {one.get("name"): one.get("value") for one in case.iter("property")}
    assert (known["unit"], known["limit"], known["verdict"]) == ("V", "at most 40 mV", "fail")
    assert float(known["reading"] or "") > 0.04
    failure = case.find("failure")
    assert failure is not None
    assert "limit at most 40 mV" in (failure.text or "")


@pytest.mark.slow
def test_workers_keep_a_recipe_together_and_never_use_the_bench_at_once(suite: pytest.Pytester) -> None:
    suite.makefile(".yaml", other=RAIL)
    told = suite.runpytest_subprocess("--bench", BENCH, "-n", "2", "--wavewright-out", "kept", timeout=100)
    told.assert_outcomes(passed=10)
    # one run a recipe: had the tests of one been dealt to both workers, there would be more
    assert len(list((suite.path / "kept").glob("[!.]*"))) == 2


def test_a_broken_recipe_is_a_collection_error_with_its_place(suite: pytest.Pytester) -> None:
    suite.makefile(".yaml", broken=RAIL.replace("timebase: {span: $span", "time_base: {span: $span"))
    told = suite.runpytest_inprocess("--bench", BENCH)
    told.assert_outcomes(errors=1)
    told.stdout.fnmatch_lines(["*broken.yaml:*:5: unknown key `time_base`*", "*did you mean `timebase`?*"])
    assert "Traceback" not in told.stdout.str()


def test_a_bench_that_is_not_there_fails_every_test_with_one_reason(suite: pytest.Pytester) -> None:
    told = suite.runpytest_inprocess("--bench", "nowhere.yaml")
    told.assert_outcomes(failed=5)
    told.stdout.fnmatch_lines("nowhere.yaml: there is no such file*")


def test_a_measurement_without_a_trigger_fails(suite: pytest.Pytester) -> None:
    text = RAIL.replace("mode: auto, edge: rising, level: 0 V", "mode: normal, edge: rising, level: 45 mV", 1)
    # the simulated instrument looks through the whole wait: a short one, so that it is done in time on a busy machine
    text = text.replace("timeout: 1 s", "timeout: 200 ms", 1)
    suite.makefile(".yaml", rail=text)
    told = suite.runpytest_inprocess("--bench", BENCH)
    told.assert_outcomes(failed=4, passed=1)
    told.stdout.fnmatch_lines("*no trigger within 0.2 s*")


def test_an_inconclusive_limit_fails_with_its_reason(suite: pytest.Pytester) -> None:
    # the ripple of a rail never comes down from 45 mV
    entry = "{metric: time_between, from: falling 45 mV, to: falling 40 mV, limit: at most 1 s}"
    text = RAIL.replace("{metric: peak_to_peak, limit: at most $most}", entry).replace(
        "parameters: {most: {default: 40 mV}}\n", ""
    )
    suite.makefile(".yaml", rail=text)
    told = suite.runpytest_inprocess("--bench", BENCH)
    told.assert_outcomes(passed=3, failed=2)
    told.stdout.re_match_lines([r"inconclusive: time_between: no number, .*; limit at most 1 s"])


def test_files_of_others_are_left_alone(suite: pytest.Pytester) -> None:
    suite.makefile(".yaml", other="kind: something else\nwavewright_like: 1\n")
    suite.makefile(".yml", nested="a:\n  wavewright: 1\n")
    (suite.path / "binary.yaml").write_bytes(b"\xff\x00")
    suite.runpytest_inprocess("--bench", BENCH, "--collect-only").assert_outcomes()
    told = suite.runpytest_inprocess()
    assert told.ret == pytest.ExitCode.NO_TESTS_COLLECTED


def test_a_recipe_that_is_named_runs_on_the_simulated_bench(suite: pytest.Pytester) -> None:
    suite.runpytest_inprocess("rail.yaml").assert_outcomes(passed=5)
    suite.runpytest_inprocess(f"rail.yaml::{NAMES[0]}").assert_outcomes(passed=1)


def test_fixtures_serve_tests_written_in_python(suite: pytest.Pytester) -> None:
    suite.makepyfile(
        """
        import pytest

        from wavewright import WavewrightError

        def test_supply(bench):
            assert bench.supply.measured_voltage() < 1
            with bench.supply.output_on():
                pass

        def test_recipe(run_recipe):
            outcome = run_recipe("rail.yaml", serial="VC204-0003")
            assert outcome.serial == "VC204-0003"
            assert outcome["picture.mean"].unit == "V"

        def test_misspelt(run_recipe):
            with pytest.raises(WavewrightError, match="did you mean `seed`"):
                run_recipe("rail.yaml", sed=3)

        def test_both(bench, run_recipe):
            pass
        """
    )
    told = suite.runpytest_inprocess("--bench", BENCH, "test_fixtures_serve_tests_written_in_python.py")
    told.assert_outcomes(passed=3, errors=1)
    told.stdout.fnmatch_lines("*use one of them in a test*")


def test_pytest_itself_starts_without_anything_heavy() -> None:
    heavy = {"numpy", "scipy", "pydantic", "yaml", "pyvisa", "typer", "sqlalchemy", "h5py", "rich"}
    code = f"import sys, wavewright.pytest_plugin; print(sorted({heavy!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_kind_of_limit_is_a_test(suite: pytest.Pytester) -> None:
    text = RAIL.replace(
        "      mean: {of: rail}\n",
        "      mean: {of: rail}\n    shots: 3\n    persistence: {rare: 2, rare_shots: exactly 0}\n",
    )
    text += "    meter: {level: {quantity: dc_voltage, limit: 0 V .. 5 V}}\n"
    suite.makefile(".yaml", rail=text)
    told = suite.runpytest_inprocess("--bench", BENCH, "--collect-only", "-q")
    assert told.outlines[4:6] == ["rail.yaml::picture.level", "rail.yaml::picture.rare_shots"]
    chosen = ("--bench", BENCH, "-k", "picture", "--wavewright-seed", "1")  # rare paths depend on what fluctuates
    suite.runpytest_inprocess(*chosen).assert_outcomes(passed=2, deselected=4)


def test_budgets_are_those_of_a_run_and_of_what_is_computed_again_bit_for_bit(suite: pytest.Pytester) -> None:
    text = RAIL.replace(
        "      mean: {of: rail}\n", "      mean: {of: rail}\n    meter: {level: {quantity: dc_voltage}}\n"
    )
    suite.makefile(".yaml", rail=text)
    options = ("--wavewright-seed", "7", "--wavewright-out", "kept", "--wavewright-logbook", "book.sqlite")
    suite.runpytest_inprocess("--bench", BENCH, *options).assert_outcomes(passed=5)
    with Logbook(suite.path / "book.sqlite") as book:
        plugin = book.outcome("last")
        again = recompute(plugin)
    plain = kept_run.run(suite.path / "rail.yaml", bench=BENCH, seed=7, out=None)
    assert again.is_same, again.differences
    assert again.outcome is not None
    found = [budgets(one) for one in (plugin, again.outcome, plain)]
    assert found[0] == found[1] == found[2]
    assert len(found[0]) == 6  # ripple and tone under two conditions, the mean, and what the meter reads
    assert all(len(contributions) > 100 for contributions in found[0].values())


def budgets(outcome: Outcome) -> dict[str, str]:
    """By name of the reading its budget as it is stored: the shortest digits that give each float back exactly."""
    found = {name: result.reading.budget for name, result in outcome.results.items()}
    return {name: json.dumps(budget.as_json()) for name, budget in found.items() if budget is not None}
