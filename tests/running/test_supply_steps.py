"""The supply in a recipe: what it measures of itself, its limit, its protection, steps with times; and the meter beside
it on the same simulated board."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from rich.console import Console

from wavewright.errors import BenchFault, FileFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.profile import load_profile
from wavewright.instruments.stated_accuracy import StatedAccuracy, standard_uncertainty
from wavewright.instruments.vocabulary import Role
from wavewright.instruments.wire_log import read_wire_log
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import export
from wavewright.logbook.kept_run import run_and_keep
from wavewright.logbook.recompute import recompute
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.reporting.console import print_outcome
from wavewright.reporting.junit import junit
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan
from wavewright.running.result import limits_of
from wavewright.running.run import run
from wavewright.running.run_context import InMemory
from wavewright.running.run_options import RunOptions
from wavewright.running.selection import roles_of

BOARD = 160.0  # ohm, of the board at its supply terminal, by the board file
RECIPE = """
wavewright: 1
title: What the supply says
measurements:
  powered:
    place: Probe 1 on TP1.
    channels: {feed: {input: 1, range: 40 V, offset: 12 V, probe: 10x}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: auto, level: 12 V}
    shots: 2
    stimulus: [STEPS]
    compute: {level: {metric: mean}}
    supply:
      terminals: {quantity: voltage, limit: VOLTS}
      drawn: {quantity: current, limit: AMPERES, over: mean}
"""
ON = "{supply: {voltage: 24 V, current_limit: LIMIT, output: on}, then_wait: 100 ms}"


def recipe_text(
    limit: str = "1 A", *, volts: str = "24 V ± 1 %", amperes: str = "at most 200 mA", more: str = ""
) -> str:
    text = RECIPE.replace("STEPS", ON.replace("LIMIT", limit) + more)
    return text.replace("VOLTS", volts).replace("AMPERES", amperes)


# What the profile states: 0.1 % + 10 mV, 0.2 % + 2 mA. What the simulated one does: 0.01 % rms.
@pytest.mark.parametrize(
    "limit, volts, amperes",
    [
        # math: a limit I in front of R gives min(24 V, I · R), and that over R
        ("1 A", 24.0, 24.0 / BOARD),
        ("100 mA", 0.100 * BOARD, 0.100),
        ("20 mA", 0.020 * BOARD, 0.020),
    ],
    ids=["regulated", "limited", "folded back"],
)
def test_in_current_limit_the_current_is_the_limit_and_the_voltage_what_the_board_leaves(
    run_text: Callable[..., Outcome], limit: str, volts: float, amperes: float
) -> None:
    outcome = run_text(recipe_text(limit))
    assert outcome["powered.terminals"].value == pytest.approx(volts, rel=1e-3)
    assert outcome["powered.drawn"].value == pytest.approx(amperes, rel=1e-3)
    # the digitizer at the terminal sees the same: 1.5 % and 0.5 % of 40 V and ten times 1 mV, by its profile
    assert outcome["powered.level"].value == pytest.approx(volts, rel=0.015, abs=0.21)


def test_they_are_judged_like_any_other_reading(run_text: Callable[..., Outcome]) -> None:
    healthy, limited_ = run_text(recipe_text("1 A")), run_text(recipe_text("100 mA"))
    terminals = limited_.results["powered.terminals"]
    assert healthy.verdict is Verdict.PASS
    assert (terminals.verdict, terminals.metric, len(terminals.shots)) == (Verdict.FAIL, "supply_voltage", 2)
    assert "below the limit (24 V ± 1 %)" in terminals.reason
    drawn = limited_.results["powered.drawn"]
    assert (drawn.verdict, drawn.over, drawn.reading.unit) == (Verdict.PASS, "mean", "A")


def test_the_uncertainty_is_that_of_the_stated_accuracy(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(recipe_text())
    volts, amperes = outcome["powered.terminals"], outcome.results["powered.drawn"].shots[0]
    assert volts.value is not None
    assert amperes.value is not None
    # JCGM 100:2008, 4.3.7 (from memory, not verified): limits ±a, rectangular, give a/√3
    assert volts.uncertainty == pytest.approx((0.001 * volts.value + 0.010) / math.sqrt(3))
    assert amperes.uncertainty == pytest.approx((0.002 * amperes.value + 0.002) / math.sqrt(3))


@pytest.mark.parametrize(
    "accuracy, quantity, full_scale, expected",
    [
        # math: (gain · |value| + share · full scale + fixed)/√3 at −2
        (StatedAccuracy(gain="1 %", offset="10 mV"), "dc_voltage", None, (0.02 + 0.01) / math.sqrt(3)),
        (StatedAccuracy(gain="1 %", offset="0.5 % of range + 1 mV"), "dc_voltage", 10.0, 0.071 / math.sqrt(3)),
        (StatedAccuracy(gain="1 %", offset="0.5 % of range + 1 mV"), "dc_voltage", None, None),
        (StatedAccuracy(gain="1 %"), "voltage", None, None),
        (StatedAccuracy(gain="1 %", offset="10 mV"), "current", None, None),
        (StatedAccuracy(gain="1 %", offset="10 mV"), "ac_voltage", None, None),
        (StatedAccuracy(gain="1 %", offset="10 mV"), "resistance", None, None),
    ],
)
def test_what_the_profile_does_not_state_is_not_known(
    accuracy: StatedAccuracy, quantity: str, full_scale: float | None, expected: float | None
) -> None:
    found = standard_uncertainty(accuracy, quantity, -2.0, full_scale=full_scale)
    assert found == (None if expected is None else pytest.approx(expected))


def test_they_are_kept_with_the_captures_and_can_be_judged_again(tmp_path: Path, bench: BenchFile) -> None:
    # given a run that is kept, in a logbook as well
    path = tmp_path / "supply.yaml"
    path.write_text(recipe_text("100 mA"), encoding="utf-8")
    where = tmp_path / "book.sqlite"
    outcome = run_and_keep(
        load_recipe(path),
        RunOptions(out=tmp_path / "outcomes", logbook=where),
        bench=bench,
        pause=lambda seconds: None,
    )
    with Logbook(where) as book:
        kept = book.outcome(outcome.id)
        assert kept["powered.drawn"] == outcome["powered.drawn"]
        # when it is computed again, then every reading is the same, its uncertainty too
        assert recompute(kept).is_same
        # and another limit is held against the same reading
        other = recompute(kept, parse_recipe(recipe_text("100 mA", volts="16 V ± 1 %"), str(path)))
        assert [one.name for one in other.differences] == ["powered.terminals"]
        assert other.outcome is not None
        assert other.outcome.results["powered.terminals"].verdict is Verdict.PASS
        export(book, tmp_path / "readings.csv")
    with (tmp_path / "readings.csv").open(encoding="utf-8") as file:
        rows = {row["name"]: row for row in csv.DictReader(file)}
    assert rows["powered.drawn"]["unit"] == "A"
    assert float(rows["powered.drawn"]["value"]) == outcome["powered.drawn"].value


def test_a_capture_without_them_is_inconclusive(run_text: Callable[..., Outcome]) -> None:
    without = recipe_text()[: recipe_text().index("    supply:\n      term")]
    captures = run_text(without).captures["powered"]
    results = {one.name: one for one in evaluate(parse_recipe(recipe_text(), "s.yaml").measurements[0], captures)}
    assert results["drawn"].verdict is Verdict.INCONCLUSIVE
    assert "it was not read in this run" in results["drawn"].reason


def test_every_report_has_them(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(recipe_text("100 mA"))
    screen = io.StringIO()
    print_outcome(outcome, Console(file=screen, width=160))
    cases = {case.get("name"): case for case in ElementTree.fromstring(junit(outcome)).iter("testcase")}
    assert cases["terminals"].find("failure") is not None
    assert cases["drawn"].find("failure") is None
    for text in (screen.getvalue(), outcome._repr_html_()):
        assert "terminals" in text
        assert "16" in text
    table = outcome.to_pandas()
    assert table.loc["powered.drawn", "value"] == pytest.approx(0.1, rel=1e-3)
    assert table.loc["powered.drawn", "unit"] == "A"


def test_each_limit_is_known_before_the_run() -> None:
    names = {one.name: one.limit for one in limits_of(parse_recipe(recipe_text(), "s.yaml").measurements[0])}
    assert names == {"terminals": "24 V ± 1 %", "drawn": "at most 200 mA"}


def test_the_plan_says_what_the_supply_is_asked() -> None:
    profiles = {one.role: one for one in map(load_profile, ("scpi-digitizer", "scpi-supply"))}
    (one,) = plan(parse_recipe(recipe_text(), "s.yaml"), profiles, attenuations={}).measurements
    asked = [(step.purpose, step.messages) for step in one.for_every_shot if step.role == Role.SUPPLY]
    assert asked == [
        ("read terminals", ("MEASure:SCALar:VOLTage:DC?",)),
        ("read drawn", ("MEASure:SCALar:CURRent:DC?",)),
    ]


def test_a_supply_that_measures_nothing_is_refused_before_anything_is_sent(
    run_text: Callable[..., Outcome], bench: BenchFile
) -> None:
    supply = bench.profiles["supply"]
    settings = {name: one for name, one in supply.grammar.settings.items() if name != "measured.current"}
    without = replace(supply, grammar=supply.grammar.model_copy(update={"settings": settings}))
    with pytest.raises(BenchFault) as caught:
        run_text(recipe_text(), on=replace(bench, profiles={**bench.profiles, "supply": without}))
    assert str(caught.value).startswith("recipe.yaml:15:7: powered: `drawn`: profile `scpi-supply`")


def test_a_recipe_that_only_reads_the_supply_needs_one() -> None:
    text = (
        RECIPE.replace("    stimulus: [STEPS]\n", "").replace("VOLTS", "24 V ± 1 %").replace("AMPERES", "at most 1 A")
    )
    assert set(roles_of(parse_recipe(text, "s.yaml"))) == {"digitizer", "supply"}


FAULTS = [
    ("quantity: voltage, limit", "quantity: volts, limit", "14:29: `quantity` is `volts`", "voltage, current"),
    ("quantity: current, limit: at most 200 mA", "quantity: current, limit: at most 200 mV", "15:", "current"),
    ("quantity: voltage, limit", "quantity: voltage, range: 10 V, limit", "14:38: unknown key `range`", "quantity"),
    ("      terminals:", "      level:", "14:7: `level` is a reading of `compute` too", "a name of its own"),
    ("over: mean", "over: meen", "15:", "mean"),
]  # fmt: skip


@pytest.mark.parametrize("stands, instead, said, expected", FAULTS)
def test_a_wrong_entry_is_refused_at_its_place(stands: str, instead: str, said: str, expected: str) -> None:
    assert stands in recipe_text()
    with pytest.raises(FileFault) as caught:
        parse_recipe(recipe_text().replace(stands, instead), "s.yaml")
    assert f"s.yaml:{said}" in str(caught.value)
    assert expected in str(caught.value)


def test_a_name_belongs_to_one_instrument() -> None:
    text = recipe_text() + "    meter: {drawn: {quantity: dc_current}}\n"
    with pytest.raises(FileFault) as caught:
        parse_recipe(text, "s.yaml")
    assert "`drawn` is a reading of `supply` too" in str(caught.value)


# --- limit, protection, sequences


def test_the_limit_folds_the_rail_back_and_the_meter_sees_it(run_text: Callable[..., Outcome]) -> None:
    meter = "    meter: {rail: {quantity: dc_voltage}, lead: {quantity: dc_current}}\n"
    outcome = run_text(recipe_text("20 mA") + meter)
    # math: 20 mA · 160 ohm = 3.2 V at the terminal, and the converter starts at 7 V (board file): no rail
    assert abs(outcome["powered.rail"].value or 0.0) < 0.05
    # the meter in the lead reads what the supply says, within both accuracies
    assert outcome["powered.lead"].value == pytest.approx(outcome["powered.drawn"].value, rel=3e-3, abs=2.1e-3)
    assert run_text(recipe_text("1 A") + meter)["powered.rail"].value == pytest.approx(3.3, rel=0.012)


def test_a_protection_that_trips_at_once_is_named(run_text: Callable[..., Outcome]) -> None:
    # math: 24 V over 160 ohm are 150 mA, above 120 mA and below the limit of 1 A
    outcome = run_text(recipe_text("1 A, current_protection: 120 mA"))
    assert "its current protection has tripped" in outcome.measurements[0].error
    assert run_text(recipe_text("1 A, current_protection: 180 mA")).verdict is Verdict.PASS


def trips_later(more: str = "") -> str:
    """12 V with a protection at 20 V, and a later step that goes to 24 V without naming the output."""
    first = "{supply: {voltage: 12 V, current_limit: 1 A, voltage_protection: 20 V, output: on}, then_wait: 100 ms}"
    first = first.replace("output", f"{more}output")
    return recipe_text(volts="at most 1 V").replace(
        ON.replace("LIMIT", "1 A"), f"{first}, {{supply: {{voltage: 24 V}}, then_wait: 100 ms}}"
    )


def test_a_protection_that_trips_later_voids_the_measurement(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(trips_later())
    assert outcome.verdict is Verdict.ERROR
    assert not outcome.results
    error = outcome.measurements[0].error
    assert "output was on and is off now" in error
    assert "protection.voltage_tripped was off and is on now" in error
    assert "`trip: allow`" in error


def test_a_trip_that_is_what_the_recipe_tests_is_told_and_leaves_the_board_without_supply(
    run_text: Callable[..., Outcome],
) -> None:
    outcome = run_text(trips_later("trip: allow, "))
    assert outcome.verdict is Verdict.PASS
    assert outcome.measurements[0].remarks[-1] == "supply: its voltage protection has tripped"
    assert outcome["powered.terminals"].value == pytest.approx(0.0, abs=1e-6)
    assert outcome["powered.level"].value == pytest.approx(0.0, abs=0.21)


def test_a_trip_that_is_allowed_may_come_at_once(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(recipe_text("1 A, current_protection: 120 mA, trip: allow", volts="at most 1 V"))
    assert outcome.verdict is Verdict.PASS
    assert outcome.measurements[0].remarks[-1] == "supply: its current protection has tripped"
    assert outcome.measurements[0].read_back["step1.supply.output"] is False


def test_only_the_protection_that_may_trip_may(run_text: Callable[..., Outcome]) -> None:
    # math: 24 V over 160 ohm are 150 mA, above 120 mA; the step that allows a trip sets the other protection
    steps = "{supply: {voltage_protection: 26 V, trip: allow}}, " + ON.replace(
        "LIMIT", "1 A, current_protection: 120 mA"
    )
    outcome = run_text(recipe_text(volts="at most 1 V").replace(ON.replace("LIMIT", "1 A"), steps))
    assert "its current protection has tripped" in outcome.measurements[0].error


def test_a_protection_that_answers_nonsense_is_an_error(
    tmp_path: Path, bench: BenchFile, run_text: Callable[..., Outcome]
) -> None:
    # given a supply that answers nothing sensible when it is asked whether it has tripped
    faults = tmp_path / "faults.yaml"
    fault = "{instrument: supply, fault: another answer, text: maybe, at: TRIP}"
    faults.write_text(f"wavewright-faults: 1\nfaults:\n  it: {fault}\n", encoding="utf-8")
    simulation = {**bench.grammar.simulation, "faults": str(faults)}
    there = replace(bench, grammar=bench.grammar.model_copy(update={"simulation": simulation}))
    # when a measurement with a protection is made
    outcome = run_text(recipe_text("1 A, current_protection: 180 mA"), on=there)
    # then nobody knows whether the board was fed, whatever the switch of the output says
    assert outcome.verdict is Verdict.ERROR
    assert "`maybe`" in outcome.measurements[0].error


def test_a_protection_above_the_ceiling_is_refused_before_anything_is_sent(run_text: Callable[..., Outcome]) -> None:
    # the bench file has a ceiling of 1.5 A
    with pytest.raises(BenchFault) as caught:
        run_text(recipe_text("1 A, current_protection: 2 A"))
    assert "`current_protection` of 2 A" in str(caught.value)
    assert "expected: at most 1.5 A" in str(caught.value)


def test_a_trip_does_not_last_into_the_next_measurement(run_text: Callable[..., Outcome]) -> None:
    text = recipe_text("1 A, current_protection: 120 mA")
    second = (
        text[text.index("  powered:") :].replace("  powered:", "  again:").replace(", current_protection: 120 mA", "")
    )
    outcome = run_text(text + second)
    assert [one.verdict for one in outcome.measurements] == [Verdict.ERROR, Verdict.PASS]


def test_steps_are_taken_in_order_with_their_times(bench: BenchFile) -> None:
    # given three steps with a wait after each
    steps = (
        "{supply: {output: off}, then_wait: 50 ms}, "
        "{supply: {voltage: 12 V, current_limit: 500 mA, output: on}, then_wait: 20 ms}, "
        "{supply: {voltage: 24 V}, then_wait: 100 ms}"
    )
    text = recipe_text().replace(ON.replace("LIMIT", "1 A"), steps)
    said: list[object] = []
    dialogue = InMemory()
    stream = dialogue.wire_log
    assert isinstance(stream, io.StringIO)

    def pause(seconds: float) -> None:
        said.append((seconds, supply_levels(stream.getvalue())))

    outcome = run(parse_recipe(text, "s.yaml"), bench, store=dialogue, pause=pause)
    # then each wait comes after its step and before the next
    assert outcome.verdict is Verdict.PASS
    assert said == [(0.05, (0.0, False)), (0.02, (12.0, True)), (0.1, (24.0, True))]


def test_what_causes_the_trigger_waits_until_the_part_before_it_is_recorded(bench: BenchFile) -> None:
    # given a digitizer that heeds no trigger while it records the 3 ms before it
    text = recipe_text().replace(
        ON.replace("LIMIT", "1 A"), "{supply: {voltage: 24 V, current_limit: 1 A, output: on}}"
    )
    text = text.replace("mode: auto", "mode: normal, timeout: 1 s").replace(
        "span: 2 ms", "span: 8 ms, before_trigger: 3 ms"
    )
    said: list[object] = []
    dialogue = InMemory()
    stream = dialogue.wire_log
    assert isinstance(stream, io.StringIO)

    def pause(seconds: float) -> None:
        said.append((seconds, "INITiate" in stream.getvalue(), supply_levels(stream.getvalue())))

    run(parse_recipe(text, "s.yaml"), bench, store=dialogue, pause=pause)
    # then it is armed, and 3 ms pass, before the output goes on
    assert said[:1] == [(pytest.approx(3e-3, rel=1e-3), True, (0.0, False))]


def supply_levels(log: str) -> tuple[float, bool]:
    """The voltage that was last sent to the supply, and whether its output was switched on, by a wire log so far."""
    volts, is_on = 0.0, False
    for record in read_wire_log(log.splitlines()):
        message = (record.data or b"").decode().strip()
        if record.instrument != "supply" or record.sign != ">" or "?" in message:
            continue
        if message == "*RST":
            volts = 0.0
        if message.startswith("SOURce:VOLTage:LEVel"):
            volts = float(message.split()[1])
        if message.startswith("OUTPut:STATe"):
            is_on = message.endswith("1")
    return volts, is_on
