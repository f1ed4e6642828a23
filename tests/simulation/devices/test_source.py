"""The simulated source, seen through the digitizer at its own terminal."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import Ask, connect, errors_of, told
from wavewright.simulation.library import SimulatedVisa


@pytest.fixture
def source(instrument: Ask) -> MessageBasedResource:
    return instrument("source")


def seen(library: SimulatedVisa, *, interval: float = 1e-6, points: int = 20_000) -> np.ndarray:
    """Volts at the terminal."""
    digitizer = connect(library, "digitizer")
    told(connect(library, "prompts"), 'DISPlay:TEXT "Input 1: stimulus, probe 10x."')
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.8", "SENSe1:VOLTage:RANGe:OFFSet 0.165", "FORMat:DATA INTeger,8")
    told(digitizer, f"SENSe:SWEep:TINTerval {interval}", f"SENSe:SWEep:POINts {points}", "INITiate")
    assert digitizer.query("*OPC?") == "1"
    codes = digitizer.query_binary_values('SENSe:DATA? "XTIMe:VOLTage 1"', "b", container=np.ndarray)
    return 10 * (0.165 + 0.8 / 256 * np.asarray(codes, dtype=float))


# 0 V to 3.3 V: mean and rms about the mean, in V
SHAPES = [  # shape, mean, rms, source
    ("SINusoid", 1.65, 1.65 / math.sqrt(2), "math: peak/√2"),
    ("TRIangle", 1.65, 1.65 / math.sqrt(3), "math: peak/√3"),
    ("SQUare", 1.65, 1.65, "definition: every magnitude is the peak"),
    ("DC", 1.65, 0.0, "definition"),
    ("PRNoise", 1.65, 1.65 / math.sqrt(3) * math.sqrt(2 / 3), "math: uniform levels, joined by straight lines"),
]


@pytest.mark.parametrize("row", SHAPES, ids=[row[0] for row in SHAPES])
def test_shapes(library: SimulatedVisa, source: MessageBasedResource, row: tuple[str, float, float, str]) -> None:
    shape, mean, rms, source_of = row
    told(source, f"FUNCtion {shape}", "FREQuency 1E3", "OUTPut ON")
    volts = seen(library)
    assert volts.mean() == pytest.approx(mean, abs=0.04), source_of
    assert volts.std() == pytest.approx(rms, abs=0.04), source_of


def test_a_pulse_has_its_duty_factor_and_frequency(library: SimulatedVisa, source: MessageBasedResource) -> None:
    told(source, "FUNCtion PULSe", "FREQuency 2E3", "PULSe:DCYCle 25", "OUTPut ON")
    high = seen(library) > 1.65
    assert high.mean() == pytest.approx(0.25, abs=1e-3)
    assert np.count_nonzero(high[1:] & ~high[:-1]) == 40


def test_an_arbitrary_period_is_played(library: SimulatedVisa, source: MessageBasedResource) -> None:
    steps = np.array([-32767, -32767, 32767, 0], ">i2").tobytes()
    source.write_raw(b"TRACe:DATA USER,#18" + steps + b"\n")
    told(source, "FUNCtion USER", "FREQuency 1E3", "OUTPut ON")
    volts = seen(library)
    # straight lines between 0, 0, 3.3 and 1.65 V: mean of the corners (math)
    assert volts.mean() == pytest.approx(3.3 * 1.5 / 4, abs=0.04)
    assert np.ptp(volts) == pytest.approx(3.3, abs=0.1)


def test_a_burst_has_as_many_periods_as_were_ordered(library: SimulatedVisa, source: MessageBasedResource) -> None:
    told(source, "FUNCtion PULSe", "FREQuency 10E3", "ARM:SOURce BUS", "TRIGger:COUNt 5")
    told(source, "INITiate:CONTinuous ON", "OUTPut ON")
    digitizer = connect(library, "digitizer")
    told(connect(library, "prompts"), 'DISPlay:TEXT "Input 1: stimulus, probe 10x."')
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.8", "SENSe1:VOLTage:RANGe:OFFSet 0.165", "FORMat:DATA INTeger,8")
    told(digitizer, "SENSe:SWEep:POINts 2000", "TRIGger:SOURce INTernal1", "TRIGger:LEVel 0.165", "INITiate")
    assert int(digitizer.query("STATus:OPERation:CONDition?")) == 32, "nothing before the burst"
    told(source, "*TRG")
    assert digitizer.query("*OPC?") == "1"
    high = np.array(digitizer.query_binary_values('SENSe:DATA? "XTIMe:VOLTage 1"', "b")) > 0
    assert np.count_nonzero(high[:-1] & ~high[1:]) == 5


def test_a_trigger_that_no_burst_waits_for_is_ignored(source: MessageBasedResource) -> None:
    source.write("*TRG")
    assert errors_of(source) == [-211]


def test_a_source_whose_trigger_system_is_idle_ignores_a_trigger(source: MessageBasedResource) -> None:
    # SCPI-99 volume 1, chapter 5 †: in the idle state no event counts, before INITiate
    told(source, "ARM:SOURce BUS", "TRIGger:COUNt 5", "OUTPut ON")
    source.write("*TRG")
    assert errors_of(source) == [-211]


def test_nothing_comes_while_the_output_is_off(library: SimulatedVisa, source: MessageBasedResource) -> None:
    told(source, "FUNCtion SINusoid")
    assert np.abs(seen(library)).max() < 0.15


def test_settings_that_say_the_same_follow_each_other(source: MessageBasedResource) -> None:
    told(source, "VOLTage 2", "VOLTage:OFFSet 1")
    assert [float(source.query(f"VOLTage:{node}?")) for node in ("HIGH", "LOW")] == [2.0, 0.0]
    told(source, "VOLTage:HIGH 3")
    assert [float(source.query(f"VOLTage{node}?")) for node in ("", ":OFFSet")] == [3.0, 1.5]
    told(source, "FREQuency 2E3", "PULSe:WIDTh 1E-4")
    assert float(source.query("PULSe:DCYCle?")) == pytest.approx(20.0)
    assert float(source.query("PULSe:PERiod?")) == pytest.approx(5e-4)


CONFLICTS = [("PULSe:WIDTh 1", -221), ("VOLTage:HIGH -1", -221), ("FREQuency 1E9", -222), ("FUNCtion SAW", -141)]


@pytest.mark.parametrize("message, code", CONFLICTS, ids=[row[0] for row in CONFLICTS])
def test_refuses(source: MessageBasedResource, message: str, code: int) -> None:
    source.write(message)
    assert errors_of(source) == [code]


def test_a_block_that_is_no_row_of_samples_is_refused(source: MessageBasedResource) -> None:
    source.write_raw(b"TRACe:DATA USER,#13abc\n")
    assert errors_of(source) == [-223]
