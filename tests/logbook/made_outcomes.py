"""Outcomes as a run would bring them, made without any instrument."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

import numpy as np

from wavewright.analysis.reading import Doubt, Finding, Reading
from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Origin, Outcome
from wavewright.running.result import MeasurementOutcome, Result
from wavewright.waveform import Capture, Waveform

RECIPE = """\
wavewright: 1
title: VC-204 rail
parameters:
  duty: {default: 40 %}
measurements:
  rail_noise:
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV}
    timebase: {span: 40 us, rate: 25 MHz}
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV, over: max}
"""
START = datetime(2026, 3, 2, 8, 0, 0, 125000, tzinfo=UTC)


def origin(file: str, text: str) -> Origin:
    return Origin(file, text, hashlib.sha256(text.encode()).hexdigest())


def result(name: str = "ripple", value: float | None = 0.024, *, verdict: Verdict = Verdict.PASS) -> Result:
    reading = (
        Reading(
            value,
            "V",
            0.0003,
            (Doubt.FEW_CODES,),
            findings=(Finding.idle(Doubt.FEW_CODES),),
            count=16,
            minimum=0.021,
            maximum=0.026,
        )
        if value is not None
        else Reading(None, "V", reason="0 rising crossings of 1.5 V")
    )
    margin = None if value is None else 0.040 - value
    return Result(name, "peak_to_peak", ("rail",), "max", "at most 40 mV", reading, verdict, margin, shots=(reading,))


def capture(seed: int = 0, *, samples: int = 1000) -> Capture:
    rng = np.random.default_rng(seed)
    waves = {
        name: Waveform(
            rng.integers(-100, 100, samples, dtype=np.int8),
            gain=0.1 / 256,
            offset=3.3,
            interval=4e-8,
            start=-1e-6,
            name=name,
            code_range=(-128, 127),
        )
        for name in ("rail", "high/low")
    }
    return Capture(
        waves, settings={"input1.range": 0.1, "input1.coupling": "ac"}, identity="bench,digitizer,1,1", taken=START
    )


def outcome(number: int = 0, *, serial: str = "", value: float | None = 0.024, seed: int | None = None) -> Outcome:
    """The run of one unit, `number` minutes after the first."""
    verdict = Verdict.INCONCLUSIVE if value is None else Verdict.PASS if value <= 0.040 else Verdict.FAIL
    started = START + timedelta(minutes=number)
    one = MeasurementOutcome(
        "rail_noise",
        place="Probe 1 on TP3.",
        asked={"input1.range": 0.1},
        read_back={"input1.range": 0.1},
        remarks=("rate 25 MHz asked, 25 MHz used",),
        shots=1,
        results=(result(value=value, verdict=verdict),),
    )
    return Outcome(
        title="VC-204 rail",
        part="VC-204",
        serial=serial or f"VC204-{number:04}",
        operator="R. Amsel",
        started=started,
        ended=started + timedelta(seconds=4),
        recipe=origin("recipes/rail_ripple.yaml", RECIPE),
        bench=origin("sim/bench.yaml", "wavewright-bench: 1\n"),
        profiles={"scpi-digitizer": origin("scpi-digitizer.yaml", "wavewright-profile: 1\n")},
        parameters={"duty": "40 %"},
        seed=204,
        identities={"digitizer": "bench,digitizer,1,1"},
        versions={"wavewright": "0.1.0"},
        measurements=(one,),
        captures={} if seed is None else {"rail_noise": [capture(seed), capture(seed + 1)]},
    )
