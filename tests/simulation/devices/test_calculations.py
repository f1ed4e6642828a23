"""What the simulated digitizers compute by themselves: of drawn signals whose values are known, and over the wire."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import connect, errors_of, opened, told
from wavewright.simulation.devices import calculations
from wavewright.simulation.devices.calculations import CALCULATIONS, OwnRecord
from wavewright.simulation.devices.records import CodeScale

SCALE = CodeScale(gain=0.1, offset=1.0, interval=1e-6, first=0.0, name="drawn")
# one period of 100 samples: up in 10, high for 30, down in 10, low for 50; states −50 and 50
PERIOD = np.concatenate([
    np.linspace(-50, 50, 11)[:-1], np.full(30, 50), np.linspace(50, -50, 11)[:-1], np.full(50, -50)
])  # fmt: skip
TRAPEZOID = np.tile(np.roll(PERIOD, 20), 10).astype(np.int8)

DRAWN = [
    # name, value, source: all by hand from the drawing; volts are 1 + 0.1 a code
    ("maximum", 6.0, "definition"),
    ("minimum", -4.0, "definition"),
    ("peak_to_peak", 10.0, "definition"),
    ("high", 6.0, "definition"),
    ("low", -4.0, "definition"),
    ("amplitude", 10.0, "definition"),
    ("overshoot", 0.0, "definition"),
    ("mean", 1.0 + 0.1 * PERIOD.mean(), "definition"),
    ("ac", 0.1 * math.sqrt(np.mean((PERIOD - PERIOD.mean()) ** 2)), "definition"),
    ("period", 100e-6, "drawn with 100 samples"),
    ("frequency", 10e3, "the inverse of the period"),
    ("duty", 0.39, "samples above the middle: 4 in rising, 30, 5 in falling"),
    ("positive_width", 40e-6, "edge to edge, each at an eighth of the swing beyond the middle: 2 + 30 + 8"),
    ("negative_width", 60e-6, "the rest of the period"),
    ("rise_time", 8e-6, "10 % to 90 % of ten samples"),
    ("fall_time", 8e-6, "10 % to 90 % of ten samples"),
]


@pytest.mark.parametrize("name, value, source", DRAWN, ids=[row[0] for row in DRAWN])
def test_of_a_drawn_trapezoid(name: str, value: float, source: str) -> None:
    assert CALCULATIONS[name](OwnRecord(TRAPEZOID, SCALE)) == pytest.approx(value, rel=1e-9, abs=1e-12), source


def test_every_calculation_is_drawn() -> None:
    assert {row[0] for row in DRAWN} == set(CALCULATIONS)


def test_overshoot_is_a_share_of_the_amplitude() -> None:
    spiked = TRAPEZOID.copy()
    spiked[spiked.argmax()] = 60
    assert CALCULATIONS["overshoot"](OwnRecord(spiked, SCALE)) == pytest.approx(0.1)  # math: 10 codes of 100


@pytest.mark.parametrize("name", ["high", "low", "amplitude", "overshoot", "frequency", "period", "duty", "rise_time",
                                  "fall_time", "positive_width", "negative_width"])  # fmt: skip
@pytest.mark.parametrize(
    "codes",
    [np.zeros(100, np.int8), np.random.default_rng(1).integers(-2, 3, 1000).astype(np.int8), np.array([3], np.int8)],
    ids=["a flat line", "noise of a few codes", "one sample"],
)
def test_a_record_without_states_has_none_of_the_values_that_need_them(name: str, codes: np.ndarray) -> None:
    assert math.isnan(CALCULATIONS[name](OwnRecord(codes, SCALE)))


def test_one_edge_has_a_rise_time_and_no_period() -> None:
    step = OwnRecord(np.repeat(np.array([-50, 50], np.int8), 20), SCALE)
    assert CALCULATIONS["rise_time"](step) == pytest.approx(1e-6)
    assert all(math.isnan(CALCULATIONS[name](step)) for name in ("period", "duty", "positive_width", "fall_time"))


def test_nothing_of_it_comes_from_the_analysis_that_it_is_compared_with() -> None:
    tree = ast.parse(Path(calculations.__file__).read_text(encoding="utf-8"))
    modules = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not {module for module in modules if module.startswith("wavewright.analysis")}


@pytest.fixture
def digitizer() -> MessageBasedResource:
    """With a record of 3.3 V through a probe 10x."""
    library = opened()
    told(connect(library, "supply"), "VOLTage 24", "CURRent 1", "OUTPut 1")
    told(connect(library, "prompts"), 'DISPlay:TEXT "Probe 1 on TP3. Input 1: rail, probe 10x."')
    digitizer = connect(library, "digitizer")
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.8", 'SENSe:FUNCtion "XTIMe:VOLTage 1"', "INITiate")
    return digitizer


def test_a_channel_list_names_the_input_and_the_answer_is_in_volts_at_the_connector(
    digitizer: MessageBasedResource,
) -> None:
    # SCPI-99 volume 2, chapter 3, and volume 1, 8.3, from memory, not verified; short forms, and SCALar may stand there
    told(digitizer, "SENSe1:VOLTage:RANGe:OFFSet 0.3", "ABORt", "INITiate")
    volts = [float(digitizer.query(query)) for query in (
        "FETCh:VOLTage:DC? (@1)", "FETC:VOLT? (@1)", "FETCh:SCALar:VOLTage:DC? (@ 1 )", "FETCh:VOLTage:DC?"
    )]  # fmt: skip
    assert volts == [volts[0]] * 4
    assert volts[0] == pytest.approx(0.33, rel=0.05)
    assert float(digitizer.query("FETCh:MAXimum? (@1)")) >= volts[0]


def test_several_inputs_are_answered_in_the_order_of_the_list(digitizer: MessageBasedResource) -> None:
    told(digitizer, "SENSe:FUNCtion:CONCurrent ON", 'SENSe:FUNCtion "XTIMe:VOLTage 2"', "ABORt", "INITiate")
    one, two = (float(digitizer.query(f"FETCh:VOLTage:MAXimum? (@{number})")) for number in (1, 2))
    answered = [float(text) for text in digitizer.query("FETCh:VOLTage:MAXimum? (@2,1)").split(",")]
    assert answered == [two, one] != [one, two]


REFUSED = [
    # query, code of the error (SCPI-99 volume 1, 21.8, from memory, not verified)
    ("FETCh:VOLTage:MAXimum? (@5)", -224),
    ("FETCh:VOLTage:MAXimum? (@2)", -221),
    ("FETCh:VOLTage:MAXimum? (@1:2)", -171),
    ("FETCh:VOLTage:MAXimum? (1)", -171),
    ("FETCh:VOLTage:MAXimum? 1", -104),
    ("FETCh:VOLTage:MAXimum? (@1),1", -108),
    ("FETCh:VOLTage:MAXimu? (@1)", -113),
]


@pytest.mark.parametrize("query, code", REFUSED, ids=[row[0] for row in REFUSED])
def test_what_cannot_be_answered_is_an_error(digitizer: MessageBasedResource, query: str, code: int) -> None:
    digitizer.write(query)
    assert errors_of(digitizer) == [code]


def test_without_a_record_there_is_nothing_to_fetch() -> None:
    digitizer = connect(opened(), "digitizer")
    digitizer.write("FETCh:VOLTage:MAXimum? (@1)")
    assert errors_of(digitizer) == [-230]


def test_no_value_is_answered_as_the_standard_has_it(digitizer: MessageBasedResource) -> None:
    # SCPI-99 volume 1, 7.2.1: 9.91E37 stands for no value (from memory, not verified)
    assert float(digitizer.query("FETCh:VOLTage:FREQuency? (@1)")) == 9.91e37
