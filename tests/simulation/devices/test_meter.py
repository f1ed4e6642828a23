"""The simulated meter against the board's truth."""

from __future__ import annotations

from pathlib import Path

import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import SIM, Ask, connect, errors_of
from wavewright.simulation.library import SimulatedVisa, open_library
from wavewright.simulation.scpi.headers import short_form


@pytest.fixture
def meter(instrument: Ask) -> MessageBasedResource:
    return instrument("meter")


def test_reads_the_rail(library: SimulatedVisa, meter: MessageBasedResource) -> None:
    truth = library.bench.board.truth()["rail"]
    assert float(meter.query("MEASure:VOLTage:DC?")) == pytest.approx(truth["mean"], abs=1e-3)
    # rms of a triangle; the meter takes 4096 values in a period of the mains
    assert float(meter.query("MEASure:VOLTage:AC?")) == pytest.approx(truth["ac_rms"], rel=0.05)


def test_reads_the_current_in_the_supply_lead(library: SimulatedVisa, meter: MessageBasedResource) -> None:
    supply = connect(library, "supply")
    for message in ("VOLTage 24", "CURRent 1", "OUTPut ON"):
        supply.write(message)
    assert float(meter.query("MEASure:CURRent?")) == pytest.approx(0.15, rel=1e-3)


def test_reads_the_reference_resistor(meter: MessageBasedResource) -> None:
    assert float(meter.query("MEASure:RESistance?")) == pytest.approx(4700.0, rel=1e-4)


def test_reads_the_temperature_in_every_unit(meter: MessageBasedResource) -> None:
    # 23 °C is 73.4 °F and 296.15 K (NIST SP 811, B.8 †)
    for unit, value in (("CEL", 23.0), ("FAR", 73.4), ("K", 296.15)):
        meter.write(f"UNIT:TEMPerature {unit}")
        assert meter.query("UNIT:TEMPerature?") == unit
        assert float(meter.query("MEASure:TEMPerature?")) == pytest.approx(value, abs=0.1)
    assert errors_of(meter) == []


def test_automatic_range_takes_the_smallest_that_holds(meter: MessageBasedResource) -> None:
    meter.query("MEASure:VOLTage?")
    assert float(meter.query("VOLTage:RANGe?")) == 10.0


def test_overload_is_answered_as_infinity(meter: MessageBasedResource) -> None:
    meter.write("CONFigure:VOLTage:DC")
    meter.write("VOLTage:RANGe 1")
    assert meter.query("VOLTage:RANGe:AUTO?") == "0"
    assert float(meter.query("READ?")) == 9.9e37  # SCPI-99 volume 1, 7.2.1, from memory, not verified


def test_a_longer_integration_takes_its_time(library: SimulatedVisa, meter: MessageBasedResource) -> None:
    meter.write("CONFigure:VOLTage:DC 10")
    meter.write("VOLTage:NPLCycles 10")
    before = library.bench.clock.now
    meter.query("READ?")
    assert library.bench.clock.now - before == pytest.approx(0.2, abs=0.01)


def test_fetch_gives_the_last_reading_again_and_nothing_before_one(meter: MessageBasedResource) -> None:
    meter.write("FETCh?")
    assert errors_of(meter)[0] == -230
    reading = meter.query("READ?")
    assert meter.query("FETCh?") == reading


@pytest.mark.parametrize(
    "function", ["VOLTage:DC", "VOLTage:AC", "CURRent:DC", "CURRent:AC", "RESistance", "TEMPerature"]
)
def test_function_is_told_in_short_form(meter: MessageBasedResource, function: str) -> None:
    meter.write(f"CONFigure:{function}")
    short = ":".join(map(short_form, function.split(":")))
    assert meter.query("SENSe:FUNCtion?") == f'"{short}"'
    meter.write(f'SENSe:FUNCtion "{function}"')
    assert errors_of(meter) == []


def test_a_board_of_ones_own_needs_no_node_of_the_meters_until_it_is_read(tmp_path: Path) -> None:
    board = tmp_path / "board.yaml"
    board.write_text(
        "wavewright-board: 1\ntitle: Lamp\nprobes_at_rest: {1: supply}\nnodes:\n"
        "  supply: {kind: feed, test_point: TP1, standby_feed: 9 V, board_resistance: 90 ohm, rise: 1 ms, fall: 1 ms}\n"
    )
    library = open_library(str(SIM / "instruments.yaml"), settings={"board": str(board), "seed": 1})
    connect(library, "digitizer").query("*IDN?")  # what is on the bench works
    meter = connect(library, "meter")
    meter.write("INITiate")
    assert errors_of(meter) == [-241]  # SCPI-99 volume 2, 21.8: hardware missing
