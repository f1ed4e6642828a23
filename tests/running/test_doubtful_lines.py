"""Readings of decoded lines that must not pass: each with what is wrong set right beside it, and that one passes.

What is wrong with each set-up is common practice, no source. The lines of the simulated board are those of its file:
I2C of 92 kbit/s, SPI with a clock of 1 MHz, a start-stop line of 19200 Bd. Expected numbers are computed here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from wavewright.analysis.doubts import Doubt
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.measurement import Measurement
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.result import Result
from wavewright.waveform import Capture, Waveform

Run = Callable[..., Outcome]

I2C = """
wavewright: 1
title: The sensor
measurements:
  one:
    place: Probe 1 on TP11, probe 2 on TP12.
    channels: {scl: {input: 1, MORE}, sda: {input: 2, MORE}}
    timebase: {span: 2 ms, rate: 25 MHz}
    trigger: {mode: normal, on: sda, edge: falling, level: 1.65 V}
    decode: {line: {bus: i2c, scl: scl, sda: sda, mode: standard, levels: i2c 3.3 V}}
    compute: {r: {of: line, COMPUTE}}
"""
SPI = """
wavewright: 1
title: The converter
measurements:
  one:
    place: Probe 1 on TP13, probe 3 on TP15, probe 4 on TP16.
    channels:
      sclk: {input: 1, range: 8 V, offset: 2 V}
      miso: {input: 3, range: 8 V, offset: 2 V}
      cs: {input: 4, range: 8 V, offset: 2 V}
    timebase: {span: 100 us, rate: 50 MHz}
    trigger: {mode: normal, on: cs, edge: falling, level: 1.65 V}
    decode: {line: {bus: spi, clock: sclk, miso: miso, select: cs}}
    compute: {r: {of: line, metric: setup_time, limit: at least 501 ns}}
"""
UART = """
wavewright: 1
title: The telegram
measurements:
  one:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, before_trigger: 2 ms, rate: RATE}
    trigger: {mode: normal, edge: falling, level: 1.65 V}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even}}
    WANTED
"""
WHOLE, WITHOUT_LOW = "range: 8 V, offset: 2 V", "range: 4 V, offset: 2.2 V"


def i2c(compute: str, more: str = WHOLE) -> str:
    return I2C.replace("MORE", more).replace("COMPUTE", compute)


def uart(rate: str, wanted: str) -> str:
    return UART.replace("RATE", rate).replace("WANTED", wanted)


ERRORS, EXPECTED = "compute: {r: {metric: frames, of: line, limit: at least 1}}", 'expect: {line: {find: "data > 0"}}'
RATE = "compute: {r: {metric: bit_rate, of: line, limit: 19.2 kbit/s ± 10 %}}"
LIMITED = "sclk: {input: 1, bandwidth_limit: 20 MHz, range"
BOTH = SPI.replace("sclk: {input: 1, range", LIMITED).replace(
    "{input: 3, range", "{input: 3, bandwidth_limit: 20 MHz, range"
)

# what is wrong, the doubt that stops it, and the same set right
WRONG: list[tuple[str, Doubt, str, str]] = [
    ("2.6 samples per bit, frames", Doubt.UNDERSAMPLED, uart("50 kHz", ERRORS), uart("250 kHz", ERRORS)),
    ("2.6 samples per bit, an expectation", Doubt.UNDERSAMPLED, uart("50 kHz", EXPECTED), uart("250 kHz", EXPECTED)),
    ("2.6 samples per bit, its rate", Doubt.UNDERSAMPLED, uart("50 kHz", RATE), uart("250 kHz", RATE)),
    ("a low level below the range", Doubt.CLIPPED, i2c("metric: low_output_level, limit: at most 400 mV", WITHOUT_LOW),
     i2c("metric: low_output_level, limit: at most 400 mV")),
    ("a probe on a weak pull-up", Doubt.PROBE_LOADING,
     i2c("metric: shortest_rise_time, limit: at least 300 ns", f"{WHOLE}, source_impedance: 22 kohm"),
     i2c("metric: shortest_rise_time, limit: at least 300 ns", f"{WHOLE}, source_impedance: 1 kohm")),
]  # fmt: skip


@pytest.mark.parametrize("what, doubt, wrong, right", WRONG, ids=[row[0] for row in WRONG])
def test_it_does_not_pass_and_set_right_it_does(what: str, doubt: Doubt, wrong: str, right: str, run_text: Run) -> None:
    outcome = run_text(wrong, seed=204)
    result = only(outcome)
    assert outcome.verdict is Verdict.INCONCLUSIVE, (what, result)
    assert f"{doubt.words}: " in result.reason
    assert doubt.cure in result.reason
    passed = run_text(right, seed=204)
    assert passed.verdict is Verdict.PASS, only(passed)
    assert doubt not in only(passed).reading.doubts


def test_a_band_limit_on_the_clock_alone_makes_the_data_look_early(run_text: Run) -> None:
    # the data are there 499 ns before the clock; with the clock 8 ns late that looks like 508 ns
    result = only(run_text(SPI.replace("sclk: {input: 1, range", LIMITED), seed=204))
    assert result.reading.value is not None
    assert result.reading.value > 505e-9
    assert result.verdict is Verdict.INCONCLUSIVE
    for same in (SPI, BOTH):
        result = only(run_text(same, seed=204))
        assert result.verdict is Verdict.FAIL
        assert Doubt.INPUT_SKEW not in result.reading.doubts


def test_the_delay_by_unequal_bandwidths_is_that_of_the_poles(run_text: Run) -> None:
    result = only(run_text(SPI.replace("sclk: {input: 1, range", LIMITED), seed=204))
    (one,) = [each for each in result.reading.findings if each.doubt is Doubt.INPUT_SKEW]
    # one pole of 20 MHz more delays by its time constant
    unequal = 1 / (2 * math.pi * 20e6)
    assert one.below == pytest.approx(unequal + 200e-12, rel=1e-6)
    straight = only(run_text(SPI, seed=204))
    assert result.reading.value is not None
    assert straight.reading.value is not None
    assert result.reading.value - straight.reading.value == pytest.approx(unequal, rel=0.2)


# -- with captures that are drawn here ---------------------------------------------------------------------------------

INTERVAL = 2e-9
BIT = 200e-9


def spi_capture(*, late: float = 0.0, **settings: float) -> Capture:
    """Clock and data of one word of eight bits in mode 0: data change with the falling edge, read with the rising."""
    at = INTERVAL * np.arange(round(12 * BIT / INTERVAL))
    cycle = (at - 2 * BIT) / BIT
    clock = np.where((cycle >= 0) & (cycle < 8) & (cycle % 1 >= 0.5), 3.3, 0.0)
    bits = np.array([0, *(1, 0) * 4, 0])
    data = 3.3 * bits[np.clip(np.floor((at - late - 2 * BIT) / BIT).astype(int) + 1, 0, 9)]
    waves = {
        name: Waveform.from_volts(np.convolve(volts, np.ones(5) / 5, "same"), interval=INTERVAL, name=name)
        for name, volts in (("clock", clock), ("data", data))
    }
    told = {f"input{number}.{name}": value for number in (1, 2) for name, value in settings.items()}
    return Capture(waves, triggered=True, settings={"input1.bandwidth": 1e9, "input2.bandwidth": 1e9, **told})


def spi_measurement(limit: str) -> Measurement:
    text = f"""
wavewright: 1
title: t
measurements:
  one:
    channels: {{clock: {{input: 1, range: 8 V}}, data: {{input: 2, range: 8 V}}}}
    timebase: {{span: 2.4 us, rate: 500 MHz}}
    trigger: {{mode: auto, on: clock, level: 1 V}}
    decode: {{line: {{bus: spi, clock: clock, mosi: data}}}}
    compute: {{r: {{of: line, metric: setup_time, limit: {limit}}}}}
"""
    return parse_recipe(text, "recipe.yaml")["one"][0]


@pytest.mark.parametrize("rise_time, verdict", [(400e-9, Verdict.INCONCLUSIVE), (10e-9, Verdict.PASS)])
def test_a_setup_time_that_is_short_for_the_set_up(rise_time: float, verdict: Verdict) -> None:
    # between 40 and 60 % of the amplitude one pole takes ln 1.5 / ln 9 of its time from 10 to 90 % (math)
    (result,) = evaluate(spi_measurement("at least 90 ns"), [spi_capture(rise_time=rise_time)])
    assert result.reading.value == pytest.approx(100e-9, abs=INTERVAL)
    assert result.verdict is verdict
    found = [one for one in result.reading.findings if one.doubt is Doubt.SLOW_SETUP]
    assert bool(found) is (verdict is Verdict.INCONCLUSIVE)
    if found:
        assert found[0].below == pytest.approx(400e-9 * math.log(1.5) / math.log(9), rel=0.02)


@pytest.mark.parametrize("skew, verdict", [(20e-9, Verdict.INCONCLUSIVE), (1e-9, Verdict.PASS)])
def test_a_setup_time_within_the_skew_of_the_inputs(skew: float, verdict: Verdict) -> None:
    # data that come 90 ns late leave 10 ns before the clock
    (result,) = evaluate(spi_measurement("at least 5 ns"), [spi_capture(late=90e-9, skew=skew)])
    assert result.reading.value == pytest.approx(10e-9, abs=INTERVAL)
    assert result.verdict is verdict
    assert (Doubt.INPUT_SKEW in result.reading.doubts) is (verdict is Verdict.INCONCLUSIVE)


def test_a_correction_of_both_inputs_has_their_bandwidths_in_it() -> None:
    apart = {"input1.group_delay": 25e-9, "input2.group_delay": 1e-9}
    shot = spi_capture()
    plain = replace(shot, settings={**shot.settings, **apart})
    (doubted,) = evaluate(spi_measurement("at least 90 ns"), [plain])
    assert Doubt.INPUT_SKEW in doubted.reading.doubts
    corrected = {f"input{number}.correction.skew": 0.0 for number in (1, 2)}
    (sound,) = evaluate(spi_measurement("at least 90 ns"), [replace(plain, settings={**plain.settings, **corrected})])
    assert Doubt.INPUT_SKEW not in sound.reading.doubts


def test_the_capacitance_of_the_probe_is_in_that_of_the_line(run_text: Run) -> None:
    text = i2c("metric: bus_capacitance, pull_up: PULL, limit: at least 100 pF")
    measured = only(run_text(text.replace("PULL", "4.7 kohm"), seed=204)).reading
    (one,) = [each for each in measured.findings if each.doubt is Doubt.PROBE_LOADING]
    assert one.below == pytest.approx(12e-12)
    assert one.above == 0.0
    assert one.text.startswith("the 12 pF of a probe are in the ")


def test_a_line_that_rests_raises_no_doubt_about_the_others() -> None:
    shot = spi_capture(open_noise=1e-3, open_offset=10e-3)
    resting = Waveform.from_volts(np.zeros(len(shot.waveforms["data"])), interval=INTERVAL, name="data")
    text = spi_measurement("at least 90 ns")
    (result,) = evaluate(text, [replace(shot, waveforms={**shot.waveforms, "data": resting})])
    assert result.reading.value is None
    assert Doubt.NOTHING_THERE not in result.reading.doubts


def only(outcome: Outcome) -> Result:
    (result,) = outcome.results.values()
    return result
