"""Recipes that must not pass: each with what is wrong set right beside it, and that one passes.

What is wrong with each set-up is common practice, no source; the values of the board are those of its file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from tests.running.conftest import ROOT
from wavewright.analysis.doubts import Doubt
from wavewright.instruments.bench_file import load_bench
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.judged_again import unfollowed, unfollowed_by_captures
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.reporting.junit import junit
from wavewright.reporting.markdown import markdown
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.result import Result
from wavewright.running.run import run

Run = Callable[..., Outcome]

FRAME = """
wavewright: 1
title: A set-up that may be wrong
measurements:
  one:
    channels: {s: {CHANNEL}}
    timebase: {TIMEBASE}
    trigger: {TRIGGER}
    shots: SHOTS
    compute: {r: {COMPUTE}}
"""
NARROW, WIDE = "input: 1, range: 8 V, offset: 2 V", "input: 1, range: 40 V, offset: 12 V"
CLOCK = "input: 1, range: 4 V, offset: 1.65 V"


@dataclass(frozen=True)
class Setup:
    """The words of a measurement that differ from case to case."""

    place: str
    channel: str
    timebase: str
    compute: str
    trigger: str = "mode: auto"
    shots: int = 1
    more: str = ""

    @property
    def text(self) -> str:
        text = FRAME.replace("  one:\n", f"  one:\n    place: {self.place}\n{self.more}")
        for word in ("channel", "timebase", "trigger", "compute"):
            text = text.replace(word.upper(), getattr(self, word))
        return text.replace("SHOTS", str(self.shots))


def rail(channel: str, compute: str = "metric: peak_to_peak, limit: at most 40 mV", *, more: str = "") -> Setup:
    return Setup("Probe 1 on TP3.", channel, "span: 200 us, rate: 25 MHz", compute, more=more)


def feed(channel: str, compute: str, **more: object) -> Setup:
    return Setup("Probe 1 on TP1.", channel, "span: 2 ms, points: 20k", compute, **more)  # type: ignore[arg-type]


def edge(rate: str, limit: str = "at most 30 ns", *, span: str = "1 us", channel: str = NARROW) -> Setup:
    trigger = "mode: normal, edge: rising, level: 1.65 V"
    compute = f"metric: rise_time, limit: {limit}"
    return Setup("Probe 1 on TP7.", channel, f"span: {span}, rate: {rate}", compute, trigger)


def clock(rate: str, compute: str, trigger: str = "mode: auto", *, channel: str = CLOCK, span: str = "2 ms") -> Setup:
    return Setup("Probe 1 on TP6.", channel, f"span: {span}, rate: {rate}", compute, trigger)


def enable(rate: str, compute: str, *, span: str = "2 ms", channel: str = NARROW) -> Setup:
    return Setup("Probe 1 on TP7.", channel, f"span: {span}, rate: {rate}", compute, NORMAL)


def drive(channel: str) -> Setup:
    """The coil's drive at 200 Hz: 24 V pulses, as long as pauses."""
    stimulus = (
        "    stimulus: [{source: {function: pulse, frequency: 200 Hz, duty_factor: 50 %, high: 5 V, low: 0 V}}]\n"
    )
    compute = "metric: peak_to_peak, limit: at most 39 V"
    return Setup("Probe 1 on TP4.", channel, "span: 60 ms, points: 60k", compute, more=stimulus)


RIPPLE = "input: 1, coupling: ac, range: 200 mV, probe: 1x, bandwidth_limit: 20 MHz"
HIGH = "metric: maximum, limit: 5 V .. 27 V"
SLOW = "metric: frequency, limit: 10 Hz .. 1 MHz"
NORMAL = "mode: normal, edge: rising, level: 1.65 V"
FAST = "metric: frequency, limit: 12 MHz ± 1 %"
LEVEL = "metric: mean, limit: at most 3.29 V"
SWING = "metric: peak_to_peak, limit: at most 1.7 V"
STATE = "metric: high_level, limit: 3.3 V ± 0.1 V"
DOUBLED, DOUBLED_HIGH = '    derived: {q: "2 * s"}\n', "metric: maximum, of: q, limit: at most 60 V"
FILTERED = '    derived: {q: "low_pass(s, CUT)"}\n'
FILTERED_RIPPLE = "metric: peak_to_peak, of: q, limit: at most 40 mV"

# what is wrong, the doubt that stops it, and the same set right
WRONG: list[tuple[str, Doubt, Setup, Setup]] = [
    ("clipped", Doubt.CLIPPED, feed(NARROW, HIGH),
     feed(WIDE, HIGH)),
    ("the wrong coupling", Doubt.CLIPPED, rail(RIPPLE.replace("coupling: ac, ", "")), rail(RIPPLE)),
    ("each of several shots", Doubt.CLIPPED, feed(NARROW, HIGH, shots=3),
     feed(WIDE, HIGH, shots=3)),
    *(
        (f"clipped, over {over}", Doubt.CLIPPED,
         *(feed(channel, f"{HIGH}, over: {over}", shots=3) for channel in (NARROW, WIDE)))
        for over in ("mean", "max", "p99")
    ),
    ("an alias", Doubt.ALIASED, clock("500 kHz", SLOW), clock("250 MHz", FAST, span="20 us")),
    ("an alias, triggered", Doubt.ALIASED, clock("500 kHz", SLOW, NORMAL),
     clock("250 MHz", FAST, NORMAL, span="20 us")),
    ("an alias, its tone", Doubt.ALIASED, clock("500 kHz", SLOW.replace("frequency", "strongest_tone")),
     clock("250 MHz", FAST.replace("frequency", "strongest_tone"), span="20 us")),
    ("an alias, its duty factor", Doubt.ALIASED,
     clock("500 kHz", "metric: duty_factor, limit: 20 % .. 80 %"),
     clock("250 MHz", "metric: duty_factor, limit: 20 % .. 80 %", span="20 us")),
    ("2 samples per period", Doubt.UNDERSAMPLED, clock("25 MHz", "metric: frequency, limit: 1 MHz .. 20 MHz"),
     clock("250 MHz", FAST, span="20 us")),
    ("a probe that touches nothing", Doubt.NOTHING_THERE,
     Setup("Probe 3 in the air.", "input: 3, coupling: ac, range: 200 mV, probe: 1x", "span: 200 us, rate: 25 MHz",
           "metric: peak_to_peak, limit: at most 40 mV"), rail(RIPPLE)),
    ("edges of the noise", Doubt.NOTHING_THERE,
     feed(WIDE, "metric: frequency, limit: at least 1 Hz"),
     clock("250 MHz", FAST, span="20 us")),
    ("glitches of the noise", Doubt.NOTHING_THERE,
     rail("input: 1, range: 8 V, offset: 2 V", "metric: rising_edges, limit: at most 1000000"),
     clock("250 MHz", "metric: rising_edges, limit: 200 .. 260", span="20 us")),
    ("a range too wide", Doubt.FEW_CODES, rail("input: 1, range: 8 V, offset: 2 V", LEVEL),
     rail("input: 1, range: 800 mV, offset: 3.3 V", LEVEL)),
    ("an edge of one sample", Doubt.FEW_SAMPLES, edge("10 MHz", "at most 300 ns", span="1 ms"), edge("250 MHz")),
    ("glitches narrower than the samples are apart", Doubt.FEW_SAMPLES,
     enable("250 kHz", "metric: glitches, width: 1 us, limit: exactly 0"),
     enable("25 MHz", "metric: glitches, width: 1 us, limit: exactly 0")),
    ("an overshoot between two samples", Doubt.FEW_SAMPLES,
     enable("1 MHz", "metric: overshoot, limit: at most 8 %"),
     enable("250 MHz", "metric: overshoot, limit: at most 8 %", span="200 us")),
    ("a filter slower than the record", Doubt.NOT_SETTLED,
     rail(RIPPLE, FILTERED_RIPPLE, more=FILTERED.replace("CUT", "100 Hz")),
     rail(RIPPLE, FILTERED_RIPPLE, more=FILTERED.replace("CUT", "2 MHz"))),
    ("derived from what is clipped", Doubt.CLIPPED,
     feed(NARROW, DOUBLED_HIGH, more=DOUBLED),
     feed(WIDE, DOUBLED_HIGH, more=DOUBLED)),
    ("an edge through the band limit", Doubt.SLOW_SETUP,
     edge("250 MHz", "12 ns .. 30 ns", channel=NARROW + ", bandwidth_limit: 20 MHz"),
     edge("250 MHz", "12 ns .. 30 ns")),
    ("a square wave through ac coupling", Doubt.DROOP, drive("input: 1, range: 80 V, coupling: ac"), drive(WIDE)),
    ("a crystal's pin under a probe", Doubt.PROBE_LOADING,
     clock("250 MHz", SWING, channel=CLOCK + ", source_impedance: 680 ohm", span="20 us"),
     clock("250 MHz", SWING, channel=CLOCK + ", source_impedance: 50 ohm", span="20 us")),
    ("codes wider than the limit", Doubt.COARSE_RANGE, enable("25 MHz", STATE, channel=WIDE), enable("25 MHz", STATE)),
    ("a level that nothing reaches", Doubt.LEVEL_NOT_REACHED,
     enable("25 MHz", "metric: rising_edges, level: 5.5 V, limit: exactly 0"),
     enable("25 MHz", "metric: maximum, limit: at most 5.5 V")),
    ("the ripple at a nominal frequency", Doubt.OFF_FREQUENCY,
     rail(RIPPLE, "metric: ripple, frequency: 300 kHz, limit: at most 10 mV"),
     rail(RIPPLE, "metric: ripple, limit: at most 40 mV")),
    ("a band beyond half the rate", Doubt.UNDERSAMPLED,
     rail(RIPPLE, "metric: band_rms, lowest: 10 kHz, highest: 20 MHz, limit: at most 20 mV"),
     rail(RIPPLE, "metric: band_rms, lowest: 10 kHz, highest: 12 MHz, limit: at most 20 mV")),
    ("a level from below what the record shows", Doubt.FEW_CYCLES,
     rail(RIPPLE, "metric: band_rms, lowest: 10 Hz, highest: 1 MHz, limit: at most 20 mV"),
     rail(RIPPLE, "metric: band_rms, lowest: 5 kHz, highest: 1 MHz, limit: at most 20 mV")),
    ("kV in place of V", Doubt.IDLE_LIMIT, feed(WIDE, "metric: mean, limit: at most 40 kV"),
     feed(WIDE, "metric: mean, limit: at most 27 V")),
]  # fmt: skip


@pytest.mark.parametrize("what, doubt, wrong, right", WRONG, ids=[row[0] for row in WRONG])
def test_it_does_not_pass_and_set_right_it_does(
    what: str, doubt: Doubt, wrong: Setup, right: Setup, run_text: Run
) -> None:
    outcome = run_text(wrong.text, seed=204)
    result = only(outcome)
    assert outcome.verdict is Verdict.INCONCLUSIVE, (what, result)
    assert doubt in result.reading.doubts
    assert f"{doubt.words}: " in result.reason
    assert doubt.cure in result.reason
    passed = run_text(right.text, seed=204)
    assert passed.verdict is Verdict.PASS, only(passed)


def test_what_is_wrong_is_said_with_numbers(run_text: Run) -> None:
    clipped = only(run_text(feed(NARROW, HIGH).text)).reason
    assert clipped.startswith(
        "clipped: 100 % of the samples lie on the highest code; range 8 V, from -2.00 V to 5.97 V"
    )
    aliased = only(run_text(clock("500 kHz", SLOW).text)).reason
    assert "at 500 kHz sampling, but 1" in aliased
    assert "MHz at 250 MHz; nothing stops frequencies above 250 kHz (bandwidth 100 MHz)" in aliased


def test_a_fail_that_the_doubt_may_have_made_is_inconclusive(run_text: Run) -> None:
    assert only(run_text(edge("10 MHz", span="1 ms").text)).verdict is Verdict.INCONCLUSIVE
    # 24 V cannot be below 5 V because the record ends at 6 V, but it may well be at least 20 V
    beyond = feed(NARROW, "metric: maximum, limit: at most 5 V")
    assert only(run_text(beyond.text)).verdict is Verdict.FAIL
    short = feed(NARROW, "metric: maximum, limit: at least 20 V")
    assert only(run_text(short.text)).verdict is Verdict.INCONCLUSIVE


def test_a_fail_that_an_open_input_may_have_made_is_inconclusive(run_text: Run) -> None:
    air = "input: 3, coupling: ac, range: 800 mV"
    judged = "metric: peak_to_peak, limit: at most 1 mV"
    result = only(run_text(Setup("Probe 3 in the air.", air, "span: 200 us, rate: 25 MHz", judged).text))
    assert result.reading.value is not None
    assert result.reading.value > 5e-3
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "but nothing there: the record stays within" in result.reason
    # 0 V is nowhere near 3.3 V, whether the rail is dead or the probe touches nothing
    dead = "metric: mean, limit: 3.3 V ± 5 %"
    air = "input: 3, range: 8 V"
    result = only(run_text(Setup("Probe 3 in the air.", air, "span: 200 us, rate: 25 MHz", dead).text))
    assert result.verdict is Verdict.FAIL


def test_an_input_without_a_probe_has_a_cable_for_the_run_and_for_the_simulation() -> None:
    bench = load_bench(ROOT / "sim/bench.yaml")
    bare = replace(bench, grammar=bench.grammar.model_copy(update={"probes": {}, "prompts": None}))
    recipe = parse_recipe(rail("input: 1, range: 800 mV, offset: 3.3 V", "metric: mean").text, "recipe.yaml")
    # the board file says 3.3 V ± 1 %; the digitizer's profile 1.5 % and 0.5 % of the range
    assert only(run(recipe, bare)).reading.value == pytest.approx(3.3, rel=0.03)


def test_the_time_of_a_crossing_well_inside_is_not_touched_by_clipping(run_text: Run) -> None:
    stimulus = (
        "    stimulus: [{source: {function: pulse, frequency: 200 Hz, duty_factor: 50 %, high: 5 V, low: 0 V}}]\n"
    )
    drive = Setup(
        "Probe 1 on TP4.", "input: 1, range: 8 V, offset: 2 V", "span: 60 ms, points: 60k",
        "metric: duty_factor, limit: 50 % ± 1 pp", more=stimulus,
    )  # fmt: skip
    result = only(run_text(drive.text))
    assert (result.verdict, Doubt.CLIPPED in result.reading.doubts) == (Verdict.PASS, True)


@pytest.mark.parametrize("more, of", [("", "s"), (DOUBLED, "q")])
def test_a_range_that_follows_the_signal_makes_no_limit_idle(more: str, of: str, run_text: Run) -> None:
    high = rail("input: 1, range: auto", f"metric: maximum, of: {of}, limit: at most 27 V", more=more)
    assert Doubt.IDLE_LIMIT not in only(run_text(high.text)).reading.doubts
    fixed = high.text.replace("range: auto", "range: 8 V, offset: 2 V")
    assert Doubt.IDLE_LIMIT in only(run_text(fixed)).reading.doubts


@pytest.mark.parametrize("where", ["recipe", "measurement", "entry"])
def test_a_recipe_can_allow_a_doubt_and_everything_says_so(where: str, run_text: Run) -> None:
    text = feed(NARROW, HIGH).text
    rule = "doubts: {clipped: allow}"
    text = {
        "recipe": text.replace("measurements:", f"{rule}\nmeasurements:"),
        "measurement": text.replace("    shots", f"    {rule}\n    shots"),
        "entry": text.replace(".. 27 V", f".. 27 V, {rule}"),
    }[where]
    outcome = run_text(text)
    result = only(outcome)
    assert (result.verdict, result.reason, result.allowed) == (Verdict.PASS, "", (Doubt.CLIPPED,))
    again = only(outcome_from_json(outcome_as_json(outcome)))
    assert again.allowed == result.allowed
    assert again.reading.findings == result.reading.findings
    for report in (markdown(outcome), junit(outcome)):
        assert "clipped: 100 % of the samples" in report
        assert "(allowed by the recipe)" in report


def test_a_pass_in_spite_of_a_doubt_follows_only_from_a_recipe_that_allows_it(run_text: Run) -> None:
    text = feed(NARROW, HIGH).text
    allowing = text.replace("measurements:", "doubts: {clipped: allow}\nmeasurements:")
    outcome = run_text(allowing)
    assert list(unfollowed(outcome, outcome_as_json(outcome))) == []
    assert list(unfollowed_by_captures(outcome, outcome_as_json(outcome))) == []
    forged = replace(outcome, recipe=replace(outcome.recipe, text=text))
    (told,) = unfollowed(forged, outcome_as_json(forged))
    assert "`one.r` allows the doubt `clipped`" in told


def test_an_entry_can_stop_what_the_recipe_allows(run_text: Run) -> None:
    text = feed(NARROW, f"{HIGH}, doubts: {{clipped: stop}}").text
    outcome = run_text(text.replace("measurements:", "doubts: {clipped: allow}\nmeasurements:"))
    assert outcome.verdict is Verdict.INCONCLUSIVE


def test_what_is_computed_again_doubts_as_the_run_did(run_text: Run) -> None:
    text = clock("500 kHz", SLOW).text
    outcome = run_text(text)
    (again,) = evaluate(parse_recipe(text, "recipe.yaml")["one"][0], outcome.captures["one"])
    assert again.reason == only(outcome).reason
    assert again.reading.findings == only(outcome).reading.findings


def test_a_capture_that_knows_nothing_of_its_input_is_judged_as_before(run_text: Run) -> None:
    # captures of earlier versions have neither bandwidth nor noise among their settings
    text = clock("500 kHz", SLOW).text
    (shot,) = run_text(text).captures["one"]
    old = replace(shot, settings={name: value for name, value in shot.settings.items() if "bandwidth" not in name})
    (again,) = evaluate(parse_recipe(text, "recipe.yaml")["one"][0], [old])
    assert (again.verdict, Doubt.ALIASED in again.reading.doubts) == (Verdict.PASS, False)


SHIPPED = sorted(path.name for path in (ROOT / "recipes").glob("*.yaml"))
FAILING = {"enable_glitch.yaml", "end_of_line.yaml", "field_bus.yaml", "rail_ripple.yaml"}


@pytest.mark.parametrize("name", ["rail_ripple.yaml", "supply_and_drive.yaml"])
@pytest.mark.parametrize("board", ["bench", "bench_faulty"])
def test_shipped_recipes_keep_their_verdicts(name: str, board: str) -> None:
    from wavewright.logbook.formats.catalogue import read_stored

    recipe = load_recipe(ROOT / "recipes" / name)
    outcome = run(recipe, load_bench(ROOT / f"sim/{board}.yaml"), pause=lambda seconds: None, read_stored=read_stored)
    expected = Verdict.FAIL if board == "bench_faulty" and name in FAILING else Verdict.PASS
    assert outcome.verdict is expected
    assert not [each.reading.doubts for each in outcome.results.values() if each.reading.doubts]


def only(outcome: Outcome) -> Result:
    (result,) = outcome.results.values()
    return result


def test_the_simulated_operator_does_not_hide_a_wrong_input(run_text: Callable[..., Outcome]) -> None:
    # the place says probe 1, the channel is named like a node of the board, and the input is another
    text = """\
wavewright: 1
title: wrong input
measurements:
  rail_noise:
    place: Probe 1 on TP3 with the short ground spring.
    channels: {rail: {input: 3, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 2 ms, rate: 25 MHz}
    compute: {ripple: {metric: peak_to_peak, limit: at most 40 mV}}
"""
    assert run_text(text).verdict == "inconclusive"


def test_a_look_that_finds_nothing_does_not_trigger_the_shots(run_text: Run) -> None:
    # given a line that stays at 3.3 V, where the second look at the highest rate has nothing to look for
    compute = "metric: maximum, limit: at most 5 V}, tone: {metric: strongest_tone"
    never = "mode: normal, edge: rising, level: 5 V, timeout: 200 ms"
    steady = Setup("Probe 1 on TP9.", "input: 1, range: 8 V, offset: 2 V", "span: 2 ms, rate: 1 MHz", compute, never)

    # when its trigger never comes
    outcome = run_text(steady.text)

    # then no record counts that the look, or nobody, triggered
    assert outcome.verdict is Verdict.ERROR
    assert "no trigger within 0.2 s" in (outcome.measurements[0].error or "")
