"""The simulated digitizer: steps of its settings, front end, trigger, and the forms in which it hands over a record."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import connect, opened, told
from wavewright.instruments.dif import read_dif, waveforms_of
from wavewright.simulation.library import SimulatedVisa


def record(digitizer: MessageBasedResource, number: int = 1) -> np.ndarray:
    """Volts at the connector."""
    told(digitizer, "FORMat:DATA INTeger,8", f'SENSe:FUNCtion "XTIMe:VOLTage {number}"', "INITiate")
    assert digitizer.query("*OPC?") == "1"
    codes = digitizer.query_binary_values(f'SENSe:DATA? "XTIMe:VOLTage {number}"', "b", container=np.ndarray)
    span = float(digitizer.query(f"SENSe{number}:VOLTage:RANGe:PTPeak?"))
    offset = float(digitizer.query(f"SENSe{number}:VOLTage:RANGe:OFFSet?"))
    return offset + span / 256 * np.asarray(codes, dtype=float)


def probe(library: SimulatedVisa, text: str) -> None:
    told(connect(library, "prompts"), f'DISPlay:TEXT "{text}"')


STEPS = [
    ("SENSe1:VOLTage:RANGe:PTPeak", "0.1", 0.2),
    ("SENSe1:VOLTage:RANGe:PTPeak", "0.2", 0.2),
    ("SENSe1:VOLTage:RANGe:PTPeak", "0.01", 0.08),
    ("SENSe:SWEep:TINTerval", "5E-7", 4e-7),
    ("SENSe:SWEep:TINTerval", "4E-8", 4e-8),
    ("INPut1:IMPedance", "60", 50.0),
    ("INPut1:FILTer:LPASs:FREQuency", "20 MHZ", 20e6),
]


@pytest.mark.parametrize("header, asked, got", STEPS, ids=[f"{row[0]} {row[1]}" for row in STEPS])
def test_takes_the_next_step_that_exists(digitizer: MessageBasedResource, header: str, asked: str, got: float) -> None:
    told(digitizer, f"{header} {asked}")
    assert float(digitizer.query(f"{header}?")) == pytest.approx(got)


def test_interval_points_and_time_hang_together(digitizer: MessageBasedResource) -> None:
    # TIME = TINTerval · (POINts − 1), from memory, not verified
    told(digitizer, "SENSe:SWEep:TINTerval 1E-7", "SENSe:SWEep:POINts 80000")
    assert float(digitizer.query("SENSe:SWEep:TIME?")) == pytest.approx(79_999e-7)
    told(digitizer, "SENSe:SWEep:TIME 1E-3")
    assert int(digitizer.query("SENSe:SWEep:POINts?")) == 10_001


def test_a_time_too_long_for_the_record_slows_the_clock_down(digitizer: MessageBasedResource) -> None:
    told(digitizer, "SENSe:SWEep:TINTerval 4E-9", "SENSe:SWEep:TIME 1")
    assert float(digitizer.query("SENSe:SWEep:TIME?")) == pytest.approx(1.0, rel=1e-6)
    assert int(digitizer.query("SENSe:SWEep:POINts?")) <= 10_000_000


@pytest.fixture
def ready(library: SimulatedVisa) -> MessageBasedResource:
    digitizer = connect(library, "digitizer")
    probe(library, "Input 1: rail, probe 1x.")
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 8", "SENSe1:VOLTage:RANGe:OFFSet 2", "SENSe:SWEep:TINTerval 1E-6")
    return digitizer


def test_couplings(library: SimulatedVisa, ready: MessageBasedResource) -> None:
    level = library.bench.board.truth()["rail"]["mean"]
    told(ready, "INPut1:COUPling DC")
    assert record(ready).mean() == pytest.approx(level, abs=0.05)
    told(ready, "SENSe1:VOLTage:RANGe:OFFSet 0", "INPut1:COUPling GROund")
    assert np.abs(record(ready)).max() < 0.15
    told(ready, "INPut1:COUPling AC", "SENSe1:VOLTage:RANGe:PTPeak 0.2")
    assert record(ready).mean() == pytest.approx(0.0, abs=2e-3)


def test_clips_at_both_ends(ready: MessageBasedResource) -> None:
    told(ready, "SENSe1:VOLTage:RANGe:PTPeak 0.08")
    assert record(ready).max() == pytest.approx(2.0 + 0.08 / 256 * 127)
    told(ready, "SENSe1:VOLTage:RANGe:OFFSet 5")
    assert record(ready).min() == pytest.approx(5.0 - 0.08 / 2)


def test_a_1x_probe_pulls_the_clock_more_than_a_10x_probe(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    found = {}
    for factor in (10, 1):
        probe(library, f"Input 1: clock, probe {factor}x.")
        told(digitizer, f"SENSe1:VOLTage:RANGe:PTPeak {4 / factor}", f"SENSe1:VOLTage:RANGe:OFFSet {1.65 / factor}")
        told(digitizer, "SENSe:SWEep:TINTerval 4E-9", "SENSe:SWEep:POINts 250000")
        volts = record(digitizer) * factor
        spectrum = np.abs(np.fft.rfft((volts - volts.mean()) * np.hanning(volts.size)))
        peak = int(spectrum.argmax())
        low, middle, high = np.log(spectrum[peak - 1 : peak + 2])
        place = peak + 0.5 * (low - high) / (low - 2 * middle + high)
        found[factor] = (place / (250_000 * 4e-9), float(np.ptp(volts)))
    assert found[1][0] < found[10][0] - 300.0, "60 pF pull a 12 MHz crystal by several hundred hertz more than 12 pF"
    assert found[1][1] < 0.7 * found[10][1]


def test_bandwidth_takes_the_amplitude_that_one_pole_takes(library: SimulatedVisa) -> None:
    # math: 1/√(1 + (f/B)²) for each pole on the way; the probe's own bandwidth and loading are poles too
    digitizer = connect(library, "digitizer")
    probe(library, "Input 1: clock, probe 10x.")
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.4", "SENSe1:VOLTage:RANGe:OFFSet 0.165")
    told(digitizer, "SENSe:SWEep:TINTerval 4E-9", "SENSe:SWEep:POINts 100000")
    full = record(digitizer)
    told(digitizer, "INPut1:FILTer:LPASs:STATe ON")
    limited = record(digitizer)
    assert limited.std() / full.std() == pytest.approx(1 / math.hypot(1, 12 / 20), rel=0.01)


@pytest.mark.parametrize("location", [0.0, 0.25, 0.5, 1.0])
def test_the_trigger_lies_where_the_reference_says(library: SimulatedVisa, location: float) -> None:
    digitizer, source = connect(library, "digitizer"), connect(library, "source")
    told(source, "FUNCtion PULSe", "FREQuency 1250", "PULSe:DCYCle 40", "OUTPut ON")
    probe(library, "Input 1: drive, probe 10x.")
    told(digitizer, "SENSe1:VOLTage:RANGe:PTPeak 4", "SENSe1:VOLTage:RANGe:OFFSet 1.2", "SENSe:SWEep:TINTerval 1E-6")
    told(digitizer, "SENSe:SWEep:POINts 4001", f"SENSe:SWEep:OREFerence:LOCation {location}")
    told(digitizer, "TRIGger:SOURce INTernal1", "TRIGger:LEVel 1.2", "TRIGger:SLOPe POSitive")
    volts = record(digitizer)
    at = round(location * 4000)
    before, after = volts[max(at - 40, 0) : at], volts[at + 1 : at + 40]
    assert (before < 1.3).all()
    assert (after > 1.1).all()


def test_slopes(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    probe(library, "Input 1: enable, probe 10x.")
    told(
        digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.8", "SENSe1:VOLTage:RANGe:OFFSet 0.165", "SENSe:SWEep:TINTerval 4E-8"
    )
    told(digitizer, "TRIGger:SOURce INTernal1", "TRIGger:LEVel 0.165", "SENSe:SWEep:OREFerence:LOCation 0.5")
    for slope, sign in (("POSitive", 1), ("NEGative", -1)):
        told(digitizer, f"TRIGger:SLOPe {slope}")
        volts = record(digitizer)
        assert sign * (volts[520:540].mean() - volts[460:480].mean()) > 0.2


def test_automatic_trigger_forces_a_record_and_normal_does_not(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    told(digitizer, "TRIGger:SOURce INTernal1", "TRIGger:LEVel 30", "TRIGger:ATRigger:STATe ON", "INITiate")
    assert digitizer.query("*OPC?") == "1"
    told(digitizer, "TRIGger:ATRigger:STATe OFF", "INITiate")
    assert int(digitizer.query("STATus:OPERation:CONDition?")) == 32
    told(digitizer, "TRIGger:IMMediate")
    assert digitizer.query("*OPC?") == "1"


def test_holdoff_keeps_the_trigger_back(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    probe(library, "Input 1: enable, probe 10x.")
    told(
        digitizer,
        "SENSe1:VOLTage:RANGe:PTPeak 0.8",
        "SENSe:SWEep:POINts 10",
        "TRIGger:SOURce INTernal1",
        "TRIGger:LEVel 0.1",
    )
    told(digitizer, "TRIGger:HOLDoff 0.5", "INITiate")
    digitizer.query("*OPC?")
    before = library.bench.clock.now
    told(digitizer, "INITiate")
    digitizer.query("*OPC?")
    assert library.bench.clock.now - before > 0.45


def test_hysteresis_keeps_a_small_signal_from_triggering(ready: MessageBasedResource) -> None:
    told(ready, "INPut1:COUPling AC", "SENSe1:VOLTage:RANGe:OFFSet 0", "SENSe1:VOLTage:RANGe:PTPeak 0.2")
    told(ready, "TRIGger:SOURce INTernal1", "TRIGger:LEVel 0", "TRIGger:HYSTeresis 0.005", "SENSe:SWEep:TINTerval 4E-8")
    told(ready, "INITiate")
    assert ready.query("*OPC?") == "1"
    told(ready, "TRIGger:HYSTeresis 0.05", "INITiate")
    ready.write("*OPC?")
    assert int(ready.query("STATus:OPERation:CONDition?")) == 32


def test_a_record_before_the_trigger_is_filled_before_the_trigger_counts(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    told(digitizer, "SENSe:SWEep:TINTerval 1E-4", "SENSe:SWEep:POINts 10001", "SENSe:SWEep:OREFerence:LOCation 1")
    before = library.bench.clock.now
    told(digitizer, "INITiate")
    digitizer.query("*OPC?")
    assert library.bench.clock.now - before >= 1.0


def test_all_inputs_are_sampled_on_one_clock(library: SimulatedVisa) -> None:
    digitizer = connect(library, "digitizer")
    probe(library, "Probe 1 on TP7, probe 2 on TP7.")
    told(digitizer, "SENSe:FUNCtion:CONCurrent ON", 'SENSe:FUNCtion "XTIMe:VOLTage 1","XTIMe:VOLTage 2"')
    for number in (1, 2):
        told(digitizer, f"SENSe{number}:VOLTage:RANGe:PTPeak 0.8", f"SENSe{number}:VOLTage:RANGe:OFFSet 0.165")
    told(digitizer, "FORMat:DATA INTeger,8", "SENSe:SWEep:TINTerval 1E-8", "SENSe:SWEep:POINts 50000", "INITiate")
    digitizer.query("*OPC?")
    one, two = (
        digitizer.query_binary_values(f'SENSe:DATA? "XTIMe:VOLTage {n}"', "b", container=np.ndarray) for n in (1, 2)
    )
    edges = [np.flatnonzero(np.diff((np.asarray(codes) > 0).astype(int))) for codes in (one, two)]
    assert len(edges[0]) == len(edges[1]) > 0
    assert np.abs(edges[0] - edges[1]).max() <= 1


FORMS = [("INTeger,8", "b", "NORMal"), ("INTeger,16", "h", "NORMal"), ("INTeger,16", "h", "SWAPped"),
         ("REAL,32", "f", "NORMal"), ("REAL,64", "d", "SWAPped")]  # fmt: skip


@pytest.mark.parametrize("form, letter, border", FORMS, ids=[f"{row[0]} {row[2]}" for row in FORMS])
def test_every_form_of_a_record_says_the_same(ready: MessageBasedResource, form: str, letter: str, border: str) -> None:
    reference = record(ready)
    told(ready, f"FORMat:DATA {form}", f"FORMat:BORDer {border}")
    values = ready.query_binary_values('SENSe:DATA? "XTIMe:VOLTage 1"', letter, border == "NORMal", np.ndarray)
    scale = {"b": 8 / 256, "h": 8 / 65536}.get(letter)
    volts = values if scale is None else 2.0 + scale * values
    assert volts == pytest.approx(reference, rel=1e-6)


def test_a_record_as_text(ready: MessageBasedResource) -> None:
    reference = record(ready)
    told(ready, "FORMat:DATA ASCii")
    assert ready.query_ascii_values('SENSe:DATA? "XTIMe:VOLTage 1"', container=np.ndarray) == pytest.approx(reference)


def test_a_record_in_data_interchange_format(ready: MessageBasedResource) -> None:
    reference = record(ready)
    told(ready, "FORMat:DINTerchange ON")
    ready.write('SENSe:DATA? "XTIMe:VOLTage 1"')
    (wave,) = waveforms_of(read_dif(ready.read_raw())).values()
    assert wave.values() == pytest.approx(reference)
    assert wave.interval == pytest.approx(1e-6)
    assert wave.code_range == (-128, 127)


def test_noise_is_what_the_file_says(library: SimulatedVisa) -> None:
    # 80 µV over the full bandwidth and 0.2 codes, summed in squares; rounding adds about 1/√12 of a code (math), more
    # or less by where between two codes zero happens to lie, since the noise is only a third of a code
    digitizer = connect(library, "digitizer")
    told(digitizer, "INPut1:COUPling GROund", "SENSe1:VOLTage:RANGe:PTPeak 0.08", "SENSe:SWEep:POINts 100000")
    code = 0.08 / 256
    expected = math.sqrt(80e-6**2 + (0.2 * code) ** 2 + code**2 / 12)
    assert record(digitizer).std() == pytest.approx(expected, rel=0.25)


def test_a_closed_loop_over_the_scope_of_a_faulty_board_finds_its_glitches() -> None:
    library = opened("vc204_faulty.yaml")
    digitizer = connect(library, "digitizer")
    probe(library, "Input 1: enable, probe 10x.")
    told(
        digitizer, "SENSe1:VOLTage:RANGe:PTPeak 0.8", "SENSe1:VOLTage:RANGe:OFFSet 0.165", "SENSe:SWEep:TINTerval 1E-7"
    )
    told(digitizer, "SENSe:SWEep:POINts 5000000")
    volts = record(digitizer)
    falls = np.flatnonzero((volts[:-1] > 0.165) & (volts[1:] <= 0.165))
    rises = np.flatnonzero((volts[:-1] <= 0.165) & (volts[1:] > 0.165))
    widths = rises[np.searchsorted(rises, falls[:-1])] - falls[:-1]
    assert 1 <= np.count_nonzero(widths < 10) <= 25, "0.5 s are 5000 periods: about ten glitches"
