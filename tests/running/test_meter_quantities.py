"""Every quantity that a meter reads, as a recipe has it, against what the simulated board is; range and aperture."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from tests.running.conftest import POWERED
from wavewright.errors import BenchFault, FileFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.wire_log import read_wire_log
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run
from wavewright.running.run_context import InMemory
from wavewright.simulation.library import open_library

RECIPE = (
    POWERED
    + """\
    meter:
      read: {ENTRY}
"""
)


def read(run_text: Callable[..., Outcome], entry: str) -> Outcome:
    return run_text(RECIPE.replace("{ENTRY}", f"{{{entry}}}"))


@pytest.fixture(scope="module")
def rail(request: pytest.FixtureRequest) -> dict[str, float]:
    """The truth of the rail, on the copy of the board that the bench's seed makes."""
    sim = request.config.rootpath / "sim"
    seed = load_bench(sim / "bench.yaml").seed
    library = open_library(str(sim / "instruments.yaml"), settings={"board": str(sim / "vc204.yaml"), "seed": seed})
    return dict(library.bench.board.truth()["rail"])


def test_dc_volts_are_those_of_the_rail(run_text: Callable[..., Outcome], rail: dict[str, float]) -> None:
    reading = read(run_text, "quantity: dc_voltage, limit: 3.3 V ± 2 %")["powered.read"]
    # by its profile: 0.01 % + 1 mV
    assert reading.value == pytest.approx(rail["mean"], rel=1e-4, abs=1e-3)
    # JCGM 100:2008, 4.3.7 (from memory, not verified): limits ±a, rectangular, give a/√3
    assert reading.uncertainty == pytest.approx((1e-4 * rail["mean"] + 1e-3) / math.sqrt(3), rel=1e-3)


def test_ac_volts_are_the_rms_of_the_ripple(run_text: Callable[..., Outcome], rail: dict[str, float]) -> None:
    reading = read(run_text, "quantity: ac_voltage, limit: at most 20 mV")["powered.read"]
    # math: a triangle's rms is its peak to peak over 2·√3; the simulated meter takes 4096 values in a mains period
    assert reading.value == pytest.approx(rail["peak_to_peak"] / (2 * math.sqrt(3)), rel=0.05)
    assert (reading.unit, reading.uncertainty) == ("V", None)


@pytest.mark.parametrize(
    "entry, value, unit, within",
    [
        ("quantity: dc_current", 24.0 / 160.0, "A", 1.5e-3 * 0.150 + 1e-4),  # math: 24 V over 160 ohm (board file)
        ("quantity: ac_current", 0.0, "A", 1e-3),  # the simulated lead carries direct current only
        ("quantity: resistance", 4700.0, "ohm", 4700e-4),  # the reference resistor of the instrument file
    ],
)
def test_current_and_resistance(
    run_text: Callable[..., Outcome], entry: str, value: float, unit: str, within: float
) -> None:
    reading = read(run_text, entry)["powered.read"]
    assert reading.value == pytest.approx(value, abs=within)
    assert reading.unit == unit


def test_a_temperature_is_that_around_the_bench(run_text: Callable[..., Outcome]) -> None:
    outcome = read(run_text, "quantity: temperature, limit: 25 °C ± 5 K, cycles: 10")
    reading = outcome["powered.read"]
    assert (reading.value, reading.unit) == (pytest.approx(23.0, abs=0.02), "degC")  # `ambient` of the instrument file
    # by its profile: 0.5 K, whatever the reading is; JCGM 100:2008, 4.3.7 as above
    assert reading.uncertainty == pytest.approx(0.5 / math.sqrt(3), rel=1e-9)
    assert outcome.results["powered.read"].verdict is Verdict.PASS
    low = read(run_text, "quantity: temperature, limit: at most 23.2 degC, judge: guarded acceptance")
    assert low.results["powered.read"].verdict is not Verdict.PASS  # 23.0 and ± 0.6 K: it may be above


@pytest.mark.parametrize(
    "entry, said",
    [
        (
            "quantity: temperature, limit: 25 degC ± 10 %",
            "`25 degC ± 10 %`: 10 % of a temperature in degC depends",
        ),
        ("quantity: temperature, range: 100 V", "a range of temperatures"),
        ("quantity: temperature, limit: at most 300 K", "`300 K` is a difference of temperatures"),
        ("quantity: dc_voltage, limit: at most 25 degC", "`25 degC` is a temperature"),
    ],
)
def test_what_makes_no_sense_of_a_temperature_is_refused(entry: str, said: str) -> None:
    with pytest.raises(FileFault) as caught:
        parse_recipe(RECIPE.replace("{ENTRY}", f"{{{entry}}}"), "recipe.yaml")
    assert said in str(caught.value)
    assert re.match(r"recipe.yaml:12:\d+: ", str(caught.value))


def test_a_declared_field_is_read_from_the_meter(run_text: Callable[..., Outcome]) -> None:
    ask = "ask: {air: {about: Air, unit: degC, within: 15 degC .. 35 degC, read: powered.read}}\nmeasurements:"
    text = RECIPE.replace("{ENTRY}", "{quantity: temperature}").replace("measurements:", ask, 1)
    outcome = run_text(text)
    found = outcome.declared["air"]
    assert (found.value, found.unit, found.source) == (pytest.approx(23.0, abs=0.05), "degC", "read from powered.read")
    cold = run_text(text.replace("15 degC .. 35 degC", "at most 20 degC"))
    assert cold.verdict is Verdict.ERROR
    assert "is not within at most 20 degC" in cold.error


def test_beyond_its_range_a_meter_has_no_value(run_text: Callable[..., Outcome]) -> None:
    outcome = read(run_text, "quantity: dc_voltage, range: 1 V, limit: 3.3 V ± 2 %")
    result = outcome.results["powered.read"]
    assert (result.reading.value, result.verdict) == (None, Verdict.INCONCLUSIVE)
    assert "overloaded" in result.reason


def test_range_and_aperture_go_over_the_wire_before_the_reading(bench: BenchFile) -> None:
    store = InMemory()
    text = RECIPE.replace("{ENTRY}", "{quantity: dc_voltage, range: 5 V, cycles: 10}")
    run(parse_recipe(text, "m.yaml"), bench, store=store, pause=lambda seconds: None)
    assert isinstance(store.wire_log, io.StringIO)
    records = read_wire_log(store.wire_log.getvalue().splitlines())
    sent = [(one.data or b"").decode().strip() for one in records if (one.instrument, one.sign) == ("meter", ">")]
    said = [message for message in sent if not message.startswith(("*", "SYST"))]
    assert [message.split()[0] for message in said if "?" not in message] == [
        "CONFigure:SCALar:VOLTage:DC",
        "SENSe:VOLTage:DC:RANGe:UPPer",
        "SENSe:VOLTage:DC:NPLCycles",
    ]
    assert said[-2:] == ["READ?", next(message for message in said if "?" in message)]  # and the same once more


def test_a_longer_aperture_scatters_less(run_text: Callable[..., Outcome]) -> None:
    # math: noise of n periods of the mains together is that of one over √n
    def scatter(cycles: str) -> float:
        text = RECIPE.replace("{ENTRY}", f"{{quantity: resistance, range: 1 Mohm, cycles: {cycles}, over: stdev}}")
        value = run_text(text.replace("    meter:", "    shots: 40\n    meter:"))["powered.read"].value
        assert value is not None
        return value

    # a standard deviation of 40 is known to 1/√78 (JCGM 100:2008, E.4.3): the ratio lies within three times √2 of that
    assert scatter("1") / scatter("100") == pytest.approx(10.0, rel=3 * math.sqrt(2 / 78))


def test_a_quantity_that_the_meter_has_not_is_refused_at_its_place(
    run_text: Callable[..., Outcome], bench: BenchFile
) -> None:
    meter = bench.profiles["meter"]
    quantity = meter.grammar.settings["quantity"]
    words = {word: theirs for word, theirs in quantity.words.items() if word != "resistance"}
    settings = {**meter.grammar.settings, "quantity": quantity.model_copy(update={"words": words})}
    without = replace(meter, grammar=meter.grammar.model_copy(update={"settings": settings}))
    with pytest.raises(BenchFault) as caught:
        run_text(
            RECIPE.replace("{ENTRY}", "{quantity: resistance}"),
            on=replace(bench, profiles={**bench.profiles, "meter": without}),
        )
    assert str(caught.value).startswith("recipe.yaml:12:7: powered: `read`: ")
    assert "resistance" in str(caught.value)
