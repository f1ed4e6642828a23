"""Where the record lies on the time axis, with profiles that say more or less about it; a digitizer of the tests' own.

Its sine rises through 0 V at the trigger, so what the record shows at time 0 is the check.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.instruments.spoken import ScpiDigitizer, bench_of
from wavewright.instruments.bench import open_bench
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.waveform import Waveform

POSITION, DELAY = "SENSe:SWEep:OREFerence:LOCation", "SENSe:SWEep:OFFSet:TIME"
# what a profile says of the two, by setting: set and asked, asked alone, or nothing
PROFILES = {
    "both set and asked": {
        "timebase.reference_position": f'{{set: "{POSITION} {{value}}", ask: "{POSITION}?"}}',
        "timebase.reference_time": f'{{set: "{DELAY} {{value}}", ask: "{DELAY}?"}}',
    },
    "the position alone": {"timebase.reference_position": f'{{set: "{POSITION} {{value}}", ask: "{POSITION}?"}}'},
    "the position, and a time that is set": {
        "timebase.reference_position": f'{{set: "{POSITION} {{value}}", ask: "{POSITION}?"}}',
        "timebase.reference_time": f'{{set: "{DELAY} {{value}}"}}',
    },
    "the position asked, the time before the trigger set": {
        "timebase.reference_position": f'{{ask: "{POSITION}?"}}',
        "timebase.before_trigger": '{set: "BEFOre {value}"}',
    },
}
HEAD = """
wavewright-profile: 1
name: bare
role: digitizer
extends: scpi-basics
inputs: 1
settings:
  input.range: {set: "SENSe{input}:VOLTage:RANGe:PTPeak {value}", ask: "SENSe{input}:VOLTage:RANGe:PTPeak?"}
  timebase.interval: {set: "SENSe:SWEep:TINTerval {value}", ask: "SENSe:SWEep:TINTerval?"}
  timebase.points: {set: "SENSe:SWEep:POINts {value}", ask: "SENSe:SWEep:POINts?"}
  trigger.source: {set: "TRIGger:SOURce {value}", ask: "TRIGger:SOURce?", words: {input: "INT{input}", immediate: IMM}}
  trigger.level: {set: "TRIGger:LEVel {value}", ask: "TRIGger:LEVel?"}
"""
TAIL = """
acquire: {arm: INITiate, finished: {ask: "*OPC?"}}
waveform:
  fetch: 'SENSe:DATA? "XTIMe:VOLTage {input}"'
  formats: {int8: {samples: int8, codes: [-128, 127], codes_over_range: 256}}
"""


def at_the_trigger(wave: Waveform) -> float:
    """V at time 0, by a straight line between the two samples beside it."""
    return float(np.interp(0.0, wave.start + wave.interval * np.arange(len(wave)), wave.values()))


@pytest.mark.parametrize("clamped", ["", "0.053"], ids=["as requested", "clamped"])
@pytest.mark.parametrize("says", PROFILES)
def test_a_position_that_is_read_back_moves_the_time_axis(tmp_path: Path, says: str, clamped: str) -> None:
    device = ScpiDigitizer()
    if clamped:
        device.twists[POSITION] = lambda _: clamped
    if "set" not in PROFILES[says]["timebase.reference_position"]:
        device.held[POSITION] = device.starts[POSITION] = clamped or "0.2"
    settings = "".join(f"  {name}: {text}\n" for name, text in PROFILES[says].items())
    (tmp_path / "bare.yaml").write_text(HEAD + settings + TAIL, encoding="utf-8")
    timebase = TimebaseSetup(points=2001, interval=1e-6, before_trigger=400e-6)
    with (
        bench_of(tmp_path, {"digitizer": device}, profiles={"digitizer": "bare.yaml"}) as file,
        open_bench(file) as bench,
    ):
        bench.reset()
        bench.digitizer.configure(DigitizerSetup({"line": InputSetup(1, 4.0)}, timebase, TriggerSetup(on="line")))
        wave = bench.digitizer.acquire()["line"]
    assert wave.start == pytest.approx(-float(clamped or "0.2") * 2e-3)
    # a code is 4 V / 256, and the sine moves by 2π · 1 kHz · 1 us · 1 V from sample to sample
    assert at_the_trigger(wave) == pytest.approx(0.0, abs=4 / 256 + 6.3e-3)
