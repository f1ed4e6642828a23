"""Supply, source and meter that do otherwise than requested, restart, or answer nonsense: an error, never a verdict.

The instruments are the tests' own, on real sockets, and speak SCPI-99; nothing of the simulation is in them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.instruments.spoken import (
    AMPERES,
    DRAWN,
    OUTPUT,
    VOLTS,
    ScpiDigitizer,
    ScpiMeter,
    ScpiSource,
    ScpiSupply,
    Spoken,
    bench_of,
)
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run import run

RECIPE = """
wavewright: 1
title: Everything has its part
measurements:
  all:
    channels: {line: {input: 1, range: 4 V}}
    timebase: {span: 2 ms, points: 2k, before_trigger: 400 us}
    trigger: {mode: auto, level: 0 V}
    shots: 2
    stimulus:
      - {supply: {voltage: 12 V, current_limit: 1 A, output: on}}
      - {source: {function: sine, frequency: 2 kHz, amplitude: 4 V, offset: 1 V}}
    compute: {swing: {metric: peak_to_peak, limit: 2 V ± 10 %}}
    supply: {drawn: {quantity: current, limit: 75 mA ± 5 %}}
    meter: {rail: {quantity: dc_voltage, range: 10 V, limit: 3.3 V ± 1 %}}
"""


class Instruments:
    """One of each role."""

    def __init__(self) -> None:
        self.digitizer, self.supply = ScpiDigitizer(), ScpiSupply()
        self.source, self.meter = ScpiSource(), ScpiMeter()

    @property
    def by_name(self) -> dict[str, Spoken]:
        return {"digitizer": self.digitizer, "supply": self.supply, "source": self.source, "meter": self.meter}

    def run(self, folder: Path, text: str = RECIPE) -> Outcome:
        with bench_of(folder, self.by_name) as bench:
            return run(parse_recipe(text, "all.yaml"), bench, pause=lambda seconds: None)


@pytest.fixture
def ours() -> Instruments:
    return Instruments()


def only(outcome: Outcome) -> MeasurementOutcome:
    (one,) = outcome.measurements
    return one


def test_what_every_instrument_is_set_to_is_kept_and_comes_back_from_the_file(
    tmp_path: Path, ours: Instruments
) -> None:
    outcome = ours.run(tmp_path)
    assert outcome.verdict is Verdict.PASS
    one = only(outcome_from_json(outcome_as_json(outcome)))
    kept = {
        "step1.supply.voltage": 12.0,
        "step1.supply.current_limit": 1.0,
        "step1.supply.output": True,
        "step2.source.function": "sine",
        "step2.source.frequency": 2000.0,
        "step2.source.amplitude": 4.0,
        "step2.source.offset": 1.0,
        "meter.rail.quantity": "dc_voltage",
        "meter.rail.range": 10.0,
    }
    assert {name: one.asked[name] for name in kept} == kept
    assert {name: one.read_back[name] for name in kept} == kept
    assert one.remarks == ()


# header of the instrument, what it makes of every value, what is said; the accuracies are those of the shipped profiles
OTHERWISE: list[tuple[str, str, str, str]] = [
    ("supply", VOLTS, "3.3", "voltage: requested 12 V, set to 3.3 V"),
    ("supply", VOLTS, "12.03", "voltage: requested 12 V, set to 12.03 V"),  # 0.1 % + 10 mV are 22 mV
    ("supply", AMPERES, "0.05", "current_limit: requested 1 A, set to 50 mA"),
    ("source", "SOURce:FUNCtion:SHAPe", "SQU", "function: requested sine, set to square"),
    ("source", "SOURce:FREQuency:CW", "500", "frequency: requested 2 kHz, set to 500 Hz"),
    ("source", VOLTS, "1", "amplitude: requested 4 V, set to 1 V"),
    ("source", f"{VOLTS[:-9]}OFFSet", "0", "offset: requested 1 V, set to 0 V"),
    ("meter", "SENSe:VOLTage:DC:RANGe:UPPer", "1", "range: requested 10, set to 1"),
    ("digitizer", "INPut1:COUPling", "AC", "input1.coupling: requested dc, set to ac"),
    ("digitizer", "TRIGger:SLOPe", "NEG", "trigger.slope: requested rising, set to falling"),
    ("digitizer", "TRIGger:LEVel", "1.5", "trigger.level: requested 0 V, set to 1.5 V"),
    ("digitizer", "INPut1:FILTer:LPASs:STATe", "1", "input1.bandwidth_limit.on: requested off, set to on"),
    ("digitizer", "SENSe:SWEep:TINTerval", "2E-5", "timebase.interval: requested 1 us, set to 20 us"),
    ("digitizer", "SENSe:SWEep:POINts", "100", "the record: requested 1.999 ms, set to 99 us"),
]


@pytest.mark.parametrize("name, header, value, said", OTHERWISE, ids=[f"{row[0]} {row[3]}" for row in OTHERWISE])
def test_a_setting_that_came_out_otherwise_is_an_error_and_outputs_are_off(
    tmp_path: Path, ours: Instruments, *, name: str, header: str, value: str, said: str
) -> None:
    ours.by_name[name].twists[header] = lambda _: value
    one = only(ours.run(tmp_path))
    assert one.verdict is Verdict.ERROR
    assert said in one.error
    assert (ours.supply.held[OUTPUT], ours.source.held[OUTPUT]) == ("0", "0")


def test_a_board_is_never_fed_with_another_voltage_than_requested(tmp_path: Path, ours: Instruments) -> None:
    ours.supply.twists[VOLTS] = lambda _: "3.3"
    one = only(ours.run(tmp_path))
    assert f"{OUTPUT} 1" not in ours.supply.sent
    assert (one.asked["step1.supply.voltage"], one.read_back["step1.supply.voltage"]) == (12.0, 3.3)
    assert "step1.supply.voltage: requested 12 V, set to 3.3 V" in one.remarks


def test_a_difference_within_the_stated_accuracy_is_told_and_no_error(tmp_path: Path, ours: Instruments) -> None:
    ours.supply.twists[VOLTS] = lambda _: "12.015"  # 0.1 % of 12 V + 10 mV are 22 mV, by the shipped profile
    outcome = ours.run(tmp_path)
    assert outcome.verdict is Verdict.PASS
    assert only(outcome).remarks == ("step1.supply.voltage: requested 12 V, set to 12.02 V",)


def test_a_range_that_the_grid_makes_larger_is_told_and_no_error(tmp_path: Path, ours: Instruments) -> None:
    ours.digitizer.twists["SENSe1:VOLTage:RANGe:PTPeak"] = lambda _: "8"
    outcome = ours.run(tmp_path)
    assert outcome.verdict is Verdict.PASS
    assert only(outcome).remarks == ("input1.range: requested 4 V, set to 8 V",)


@pytest.mark.parametrize("place", ["its reading", "the record", "another instrument's reading"])
@pytest.mark.parametrize("name", ["digitizer", "supply", "source", "meter"])
def test_a_restart_in_mid_run_is_an_error_and_never_a_fail(
    tmp_path: Path, ours: Instruments, name: str, place: str
) -> None:
    # given limits that what a restarted instrument does can only fail
    device = ours.by_name[name]
    owner, message = {
        "its reading": (ours.supply, DRAWN),
        "the record": (ours.digitizer, 'SENSe:DATA? "XTIMe:VOLTage 1"'),
        "another instrument's reading": (ours.meter, "READ?"),
    }[place]
    owner.at[message] = device.restart
    # when it is switched off and on while the measurement is made
    one = only(ours.run(tmp_path))
    # then that is said, and nothing is held against the unit
    assert one.verdict is Verdict.ERROR
    assert "it was switched off and on" in one.error
    assert f"({name})" in one.error
    assert all(result.verdict is Verdict.INCONCLUSIVE for result in one.results)  # of a shot before it


def test_a_restart_costs_one_query_for_each_instrument_and_shot(tmp_path: Path, ours: Instruments) -> None:
    ours.run(tmp_path)
    for name, device in ours.by_name.items():
        # known state, the end of the measurement; and each time that it is set up or switched, or gives a record
        more = {"digitizer": 3, "supply": 2, "source": 2, "meter": 2}
        assert device.sent.count("*ESR?") == 2 + more[name]


# who, the query, what it answers: no word of the profile, an answer out of step, numbers implausible
NONSENSE: list[tuple[str, str, str]] = [
    ("digitizer", "INPut1:COUPling?", "EC"),
    ("digitizer", "TRIGger:SLOPe?", '0,"No error"'),
    ("digitizer", "SENSe:SWEep:OREFerence:LOCation?", "40"),
    ("digitizer", "SENSe:SWEep:TINTerval?", "1E-15"),
    ("digitizer", "SENSe:SWEep:POINts?", "2000.5"),
    ("supply", DRAWN, "-120E9"),
    ("supply", VOLTS + "?", "1.2E6"),
    ("supply", VOLTS + "?", "9.91E37"),
    ("supply", OUTPUT + "?", "0.3"),
    ("source", "SOURce:FUNCtion:SHAPe?", "HUM"),
    ("source", "SOURce:FREQuency:CW?", "-2000"),
    ("meter", "READ?", "-1.2E11"),
    ("meter", "SENSe:FUNCtion?", '"VOLT:DX"'),
]


@pytest.mark.parametrize("name, query, answer", NONSENSE)
def test_nonsense_is_asked_again_and_then_a_fault(
    tmp_path: Path, ours: Instruments, name: str, query: str, answer: str
) -> None:
    device = ours.by_name[name]
    # given that it comes once, then the measurement is as it would be without
    device.answers[query] = [answer]
    outcome = ours.run(tmp_path)
    assert outcome.verdict is Verdict.PASS, only(outcome).error
    assert not only(outcome).remarks
    assert device.answers[query] == []


@pytest.mark.parametrize("name, query, answer", NONSENSE)
def test_nonsense_that_stays_is_an_error(tmp_path: Path, ours: Instruments, name: str, query: str, answer: str) -> None:
    device = ours.by_name[name]
    if query == OUTPUT + "?":  # else no output would ever be confirmed off, which is another test
        device.at[f"{OUTPUT} 1"] = lambda: device.answers.update({query: [answer] * 3})
    else:
        device.answers[query] = answer
    one = only(ours.run(tmp_path))
    assert one.verdict is Verdict.ERROR
    assert answer.strip('"')[:4] in one.error or "according to its answer" in one.error or "implausible" in one.error


def test_a_damaged_answer_that_is_a_likely_number_is_asked_again(tmp_path: Path, ours: Instruments) -> None:
    ours.supply.answers[VOLTS + "?"] = ["1.2"]
    assert ours.run(tmp_path).verdict is Verdict.PASS


def test_two_answers_to_one_query_are_none(tmp_path: Path, ours: Instruments) -> None:
    ours.supply.answers[VOLTS + "?"] = ["1.2", "2.1"]
    assert "and on a second query" in only(ours.run(tmp_path)).error
