"""The simulated supply: what it gives the board, what it limits, what trips it."""

from __future__ import annotations

import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import Ask, connect, errors_of, told
from wavewright.simulation.library import SimulatedVisa


@pytest.fixture
def supply(instrument: Ask) -> MessageBasedResource:
    return instrument("supply")


def rail(library: SimulatedVisa) -> float:
    """dc volts that the meter reads on the rail."""
    return float(connect(library, "meter").query("MEASure:VOLTage?"))


def test_measures_what_it_gives(supply: MessageBasedResource) -> None:
    # 160 Ω of board at 24 V: math
    told(supply, "VOLTage 24", "CURRent 1", "OUTPut ON")
    assert float(supply.query("MEASure:VOLTage?")) == pytest.approx(24.0, rel=1e-3)
    assert float(supply.query("MEASure:CURRent?")) == pytest.approx(0.15, rel=1e-3)
    assert int(supply.query("STATus:QUEStionable:CONDition?")) == 2, "voltage is regulated, so current is not"


def test_gives_nothing_while_its_output_is_off(supply: MessageBasedResource) -> None:
    told(supply, "VOLTage 24", "CURRent 1", "OUTPut OFF")
    assert abs(float(supply.query("MEASure:VOLTage?"))) < 1e-6
    assert abs(float(supply.query("MEASure:CURRent?"))) < 1e-6


def test_the_current_limit_folds_the_voltage_back_and_shows_in_the_status(
    library: SimulatedVisa, supply: MessageBasedResource
) -> None:
    told(supply, "VOLTage 24", "CURRent 0.1", "OUTPut ON")
    assert float(supply.query("MEASure:VOLTage?")) == pytest.approx(16.0, rel=1e-3)
    assert int(supply.query("STATus:QUEStionable:CONDition?")) == 1, "voltage is not regulated"
    assert rail(library) > 3.0
    told(supply, "CURRent 0.02")
    assert float(supply.query("MEASure:VOLTage?")) == pytest.approx(3.2, rel=1e-3)
    assert rail(library) < 0.1


def test_current_protection_trips_and_must_be_cleared(supply: MessageBasedResource) -> None:
    told(supply, "VOLTage 24", "CURRent 0.1", "CURRent:PROTection:STATe ON", "OUTPut ON")
    assert supply.query("OUTPut?") == "0"
    assert supply.query("CURRent:PROTection:TRIPped?") == "1"
    supply.write("OUTPut ON")
    assert errors_of(supply) == [-221]
    told(supply, "CURRent 1", "OUTPut:PROTection:CLEar", "OUTPut ON")
    assert supply.query("OUTPut?") == "1"


def test_voltage_protection_trips(supply: MessageBasedResource) -> None:
    told(supply, "CURRent 1", "VOLTage:PROTection 20", "VOLTage 12", "OUTPut ON")
    assert supply.query("VOLTage:PROTection:TRIPped?") == "0"
    told(supply, "VOLTage 24")
    assert supply.query("OUTPut?;:VOLTage:PROTection:TRIPped?") == "0;1"


def test_standby_is_through_until_the_output_is_switched(library: SimulatedVisa, supply: MessageBasedResource) -> None:
    assert rail(library) > 3.0
    told(supply, "OUTPut OFF")
    rail(library)  # the meter integrates while the rail falls
    assert rail(library) < 0.1
    told(supply, "*RST")
    rail(library)
    assert rail(library) > 3.0


def test_reset_directly_after_off_keeps_the_board_up(library: SimulatedVisa, supply: MessageBasedResource) -> None:
    told(supply)
    supply.write("OUTPut OFF")
    supply.write("*RST")
    reset = library.bench.board.nodes["reset"]
    assert reset.reach(1.0, library.bench.clock.now)[0] == 0.0
    now = library.bench.clock.now
    assert library.bench.surroundings.feed.at(now).is_standby
    assert rail(library) > 3.0


def test_settings_are_rounded_to_millivolts(supply: MessageBasedResource) -> None:
    told(supply, "VOLTage 12.34567")
    assert float(supply.query("VOLTage?")) == pytest.approx(12.346)


@pytest.mark.parametrize("message", ["VOLTage 33", "CURRent 4", "VOLTage -1"])
def test_refuses_what_it_cannot_give(supply: MessageBasedResource, message: str) -> None:
    supply.write(message)
    assert errors_of(supply) == [-222]
