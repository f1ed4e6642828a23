"""What a measurement finds in given captures, without any instrument."""

from __future__ import annotations

import math
import pickle
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wavewright.analysis.reading import Doubt
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.measurement import Measurement
from wavewright.running.evaluation import evaluate
from wavewright.running.result import Result
from wavewright.running.shot_findings import readings_of
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import i2c_lines, write_transfer
from wavewright.waveform import Capture, Waveform

HEAD = "wavewright: 1\ntitle: t\nmeasurements:\n"
CHANNELS = """
    channels: {high: {input: 1, range: 8 V}, low: {input: 2, range: 8 V}}
    timebase: {span: 1 ms, rate: 1 MHz}
    trigger: {mode: auto, on: high, level: 0 V}
"""


def measurement(text: str, *, name: str = "m") -> Measurement:
    return parse_recipe(f"{HEAD}  {name}:{CHANNELS}{text}", "r.yaml").measurements[0]


def sine(*, amplitude: float = 1.0, mean: float = 0.0, frequency: float = 10e3, points: int = 1000) -> np.ndarray:
    return mean + amplitude * np.sin(2 * math.pi * frequency * 1e-6 * np.arange(points))


def capture(high: np.ndarray, low: np.ndarray | None = None, *, triggered: bool = True, **settings: float) -> Capture:
    waves = {"high": high, "low": np.zeros_like(high) if low is None else low}
    return Capture(
        {name: Waveform.from_volts(volts, interval=1e-6, name=name) for name, volts in waves.items()},
        triggered=triggered,
        settings=settings,
    )


def by_name(results: tuple[Result, ...]) -> dict[str, Result]:
    return {result.name: result for result in results}


# -- compute and derived -----------------------------------------------------------------------------------------------


def test_every_shot_is_held_against_the_limit_and_the_worst_decides() -> None:
    wanted = measurement("    compute: {mean: {of: high, limit: at most 1 V}}")
    (result,) = evaluate(wanted, [capture(sine(mean=level)) for level in (0.2, 1.3, 0.4)])
    assert result.verdict is Verdict.FAIL
    assert result.decisive_shot == 1
    assert [round(shot.value or 0.0, 6) for shot in result.shots] == [0.2, 1.3, 0.4]
    assert result.margin == pytest.approx(-0.3)


def test_shots_can_be_joined() -> None:
    wanted = measurement("    compute: {mean: {of: high, limit: at most 1 V, over: mean}}")
    (result,) = evaluate(wanted, [capture(sine(mean=level)) for level in (0.2, 1.3, 0.4)])
    assert result.verdict is Verdict.PASS
    assert result.reading.value == pytest.approx(1.9 / 3)


def test_a_derived_channel_is_measured_in_its_own_unit() -> None:
    # math: 0.5 V across 0.1 ohm is 5 A
    compute = "compute: {current: {metric: mean, of: coil, limit: 5 A ± 1 %}}"
    text = f'    derived: {{coil: "(high - low) / 0.1 ohm"}}\n    {compute}'
    (result,) = evaluate(measurement(text), [capture(np.full(1000, 1.5), np.full(1000, 1.0))])
    assert (result.reading.unit, result.verdict) == ("A", Verdict.PASS)
    assert result.reading.value == pytest.approx(5.0)


def test_a_channel_that_cannot_be_derived_is_a_reason_and_no_number() -> None:
    # a filter beyond half the sample rate, 500 kHz, is none
    text = '    derived: {slow: "low_pass(high, 600 kHz)"}\n    compute: {mean: {of: slow, limit: at most 1 V}}'
    (result,) = evaluate(measurement(text), [capture(sine())])
    assert (result.verdict, result.reading.value) == (Verdict.INCONCLUSIVE, None)
    assert result.reading.reason


def test_a_forced_shot_is_a_doubt_of_every_reading() -> None:
    wanted = measurement("    compute: {mean: {of: high}, period: {of: high}}")
    readings = readings_of(capture(sine(), triggered=False), wanted)
    assert all(Doubt.NOT_TRIGGERED in reading.doubts for reading in readings.values())


def test_what_is_kept_of_many_shots_are_numbers() -> None:
    wanted = measurement("    compute: {period: {of: high}}")
    assert readings_of(capture(sine()), wanted)["period"].occurrences is not None
    (result,) = evaluate(wanted, [capture(sine())] * 3)
    assert all(shot.occurrences is None for shot in result.shots)


# -- compare -----------------------------------------------------------------------------------------------------------

COMPARED = f"""{HEAD}
  before:{CHANNELS}    compute: {{mean: {{of: high}}}}
  after:{CHANNELS}
    compare:
      touched:
        of: high
        with: before
        metrics: [frequency, ac_rms]
        gain: at least 90 %
        offset: at most 0.2 V
        SOURCE
"""


def compared(first: Capture, second: Capture, *, source: str = "") -> dict[str, Result]:
    before, after = parse_recipe(COMPARED.replace("SOURCE", source), "r.yaml").measurements
    recipe = parse_recipe(COMPARED.replace("SOURCE", source), "r.yaml")
    references = ReferenceWaveforms(recipe)
    evaluate(before, [first], references=references)
    return by_name(evaluate(after, [second], references=references))


def test_a_comparison_finds_gain_offset_and_what_moved() -> None:
    # math: the second is 0.8 times the first, plus 0.1 V
    found = compared(capture(sine()), capture(sine(amplitude=0.8, mean=0.1)))
    assert found["touched.gain"].reading.value == pytest.approx(0.8, abs=1e-6)
    assert found["touched.gain"].verdict is Verdict.FAIL
    assert found["touched.offset"].reading.value == pytest.approx(0.1, abs=1e-6)
    assert found["touched.offset"].verdict is Verdict.PASS
    assert found["touched.change_of_ac_rms"].reading.value == pytest.approx(-0.2 / math.sqrt(2), rel=1e-3)
    assert found["touched.change_of_frequency"].reading.value == pytest.approx(0.0, abs=0.1)
    assert found["touched.rms"].verdict is None


def test_the_delay_of_a_periodic_signal_is_looked_for_within_half_a_period() -> None:
    # math: a sine of 10 kHz repeats after 100 us, so a delay of 13 us is one of 113 us as well
    later = np.roll(sine(), 13)
    found = compared(capture(sine()), capture(later))
    assert found["touched.delay"].reading.value == pytest.approx(13e-6, abs=1e-8)


def test_the_expected_loading_stands_beside_what_was_found() -> None:
    # math: 680 ohm with 12 pF, and with 12 pF more, at 10 MHz: |1 + jwRC| over |1 + jw 2RC|
    fast = 10e6
    turn = 2 * math.pi * fast * 680 * 12e-12
    expected = abs(1 + 1j * turn) / abs(1 + 2j * turn)
    volts = np.sin(2 * math.pi * fast * 4e-9 * np.arange(5000))
    first, second = (
        Capture(
            {"high": Waveform.from_volts(part * volts, interval=4e-9, name="high")},
            settings={f"input{number}.probe_capacitance": 12e-12 for number in inputs},
        )
        for part, inputs in ((1.0, (1,)), (0.8, (1, 2)))
    )
    found = compared(first, second, source="source_impedance: 680 ohm")
    assert found["touched.gain"].reading.value == pytest.approx(0.8, abs=1e-6)
    # the probe's 10 Mohm beside 680 ohm make another 7e-5
    assert found["touched.expected_gain"].reading.value == pytest.approx(expected, rel=2e-4)


def test_a_comparison_with_a_stored_waveform_reads_it_from_the_recipes_folder(tmp_path: Path) -> None:
    asked: list[tuple[Path, str]] = []

    def read_stored(path: Path, channel: str) -> Waveform:
        asked.append((path, channel))
        return Waveform.from_volts(sine(), interval=1e-6, name=channel)

    text = f"{HEAD}  m:{CHANNELS}    compare: {{golden: {{of: high, with: golden/m.h5, rms: at most 1 mV}}}}"
    recipe = parse_recipe(text, str(tmp_path / "r.yaml"))
    found = by_name(
        evaluate(
            recipe.measurements[0], [capture(sine())], references=ReferenceWaveforms(recipe, read_stored=read_stored)
        )
    )
    assert asked == [(tmp_path / "golden/m.h5", "high")]
    assert found["golden.rms"].verdict is Verdict.PASS


def test_a_comparison_with_what_brought_nothing_is_inconclusive() -> None:
    recipe = parse_recipe(COMPARED.replace("SOURCE", ""), "r.yaml")
    found = by_name(evaluate(recipe.measurements[1], [capture(sine())], references=ReferenceWaveforms(recipe)))
    assert found["touched.gain"].verdict is Verdict.INCONCLUSIVE
    assert "`before`, the reference, has no shot" in found["touched.gain"].reason


# -- persistence -------------------------------------------------------------------------------------------------------


def test_a_rare_path_is_counted_and_its_shot_named() -> None:
    # given 300 shots of a flat line, one of which has a pulse of 50 samples
    text = "    persistence: {of: high, columns: 100, rows: 16, rare: 50, rare_shots: exactly 0}\n    shots: 300"
    flat, pulse = np.zeros(1000), np.zeros(1000)
    pulse[400:450] = 3.0
    shots = [_coded(pulse if number == 123 else flat) for number in range(300)]
    (result,) = evaluate(measurement(text), shots)
    assert (result.reading.value, result.verdict) == (1.0, Verdict.FAIL)
    assert "shot 124 of 300" in result.reason


def test_a_mask_counts_violations() -> None:
    polygon = "[[100 us, 2 V], [200 us, 2 V], [200 us, 4 V], [100 us, 4 V]]"
    text = f"    persistence: {{of: high, mask: {{polygons: [{polygon}]}}, violations: exactly 0}}"
    volts = np.zeros(1000)
    volts[150:155] = 3.0
    (result,) = evaluate(measurement(text), [_coded(np.zeros(1000)), _coded(volts)])
    assert (result.reading.value, result.verdict) == (1.0, Verdict.FAIL)
    assert "shot 2 is 1 V beyond the mask" in result.reason


def _coded(volts: np.ndarray) -> Capture:
    codes = np.round(volts / 8 * 256).astype(np.int8)
    wave = Waveform(codes, gain=8 / 256, interval=1e-6, name="high", code_range=(-128, 127))
    return Capture({"high": wave})


# -- decode and expect -------------------------------------------------------------------------------------------------

LINE = """
    decode: {line: {bus: uart, tx: high, baud: 9600}}
    expect: {line: EXPECTED}
    compute: {wrong: {metric: frame_errors, of: line, limit: exactly 0}, characters: {metric: frames, of: line}}
"""


def spoken(text: bytes) -> Capture:
    """9600 8N1: start bit, eight bits from the least significant, stop bit, ten samples per bit (TIA-232, memory)."""
    bits = [1] * 20
    for character in text:
        bits += [0, *(character >> place & 1 for place in range(8)), 1]
    volts = 3.3 * np.repeat([*bits, *([1] * 20)], 10)
    return Capture({"high": Waveform.from_volts(volts, interval=1 / 96_000, name="high")})


@pytest.mark.parametrize(
    "expected, verdict",
    [
        ("{holds: 4F 4B}", Verdict.PASS),
        ("{text: OK}", Verdict.PASS),
        ('{find: "data = 0x4B and clean"}', Verdict.PASS),
        ("{text: NO}", Verdict.FAIL),
    ],
)
def test_frames_are_decoded_measured_and_held_against_what_is_expected(expected: str, verdict: Verdict) -> None:
    wanted = measurement(LINE.replace("EXPECTED", expected))
    found = by_name(evaluate(wanted, [spoken(b"OK")]))
    assert found["wrong"].verdict is Verdict.PASS
    assert found["characters"].reading.value == 2
    assert found["expect.line"].verdict is verdict


def test_an_unmet_expectation_says_which() -> None:
    wanted = measurement(LINE.replace("EXPECTED", "{text: NO}"))
    found = by_name(evaluate(wanted, [spoken(b"OK")]))
    assert found["expect.line"].reason == "line: no frame of 2 has the text `NO`"


BUS = """
    decode: {line: {bus: i2c, scl: high, sda: low, levels: i2c 3.3 V, mode: fast}}
    compute:
      low_period: {of: line, limit: published}
      rise_time: {of: line, limit: published}
      own: {metric: high_period, of: line, limit: at least 2 us}
"""


def transferred(*, bit_rate: float) -> Capture:
    """One byte written to 0x48, drawn at 200 samples a clock with edges of two samples."""
    lines = i2c_lines([write_transfer(0x48, b"\x5a")], bit_rate=bit_rate, lead=5e-6, tail=5e-6)
    rate = 200 * bit_rate
    waves = (draw(line, rate=rate, rise_time=2 / rate) for line in lines)
    return Capture({name: replace(wave, name=name) for name, wave in zip(("high", "low"), waves, strict=True)})


def test_timing_of_a_bus_is_held_against_the_published_limit_of_its_mode() -> None:
    # UM10204, table 10: tLOW at least 1.3 us in Fast-mode; math: SCL is low for 55 % of a clock
    found = by_name(evaluate(measurement(BUS), [transferred(bit_rate=rate) for rate in (300e3, 450e3, 400e3)]))
    result = found["low_period"]
    assert (result.limit, result.verdict, result.decisive_shot) == ("at least 1.3 us", Verdict.FAIL, 1)
    assert result.reading.value == pytest.approx(0.55 / 450e3, rel=0.01)
    assert result.reading.at is not None
    assert re.fullmatch(r"1\.2\d* us is below the limit \(at least 1\.3 us\), at [\d.]+ us", result.reason)
    assert [shot.at is not None for shot in result.shots] == [True] * 3
    assert found["rise_time"].verdict is Verdict.PASS
    assert found["own"].verdict is Verdict.FAIL, "a limit of one's own is stricter here"


def test_results_travel_to_another_process() -> None:
    wanted = measurement(LINE.replace("EXPECTED", "{text: OK}"))
    results = evaluate(wanted, [spoken(b"OK")])
    assert [result.name for result in pickle.loads(pickle.dumps(results))] == [result.name for result in results]


def test_the_same_captures_give_the_same_results() -> None:
    wanted = measurement("    compute: {period: {of: high}, ac_rms: {of: high}}")
    shots = [capture(sine(mean=level)) for level in (0.0, 0.1)]
    first, second = evaluate(wanted, shots), evaluate(wanted, shots)
    assert [result.reading for result in first] == [result.reading for result in second]
