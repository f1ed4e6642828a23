"""An outcome with real readings of made captures, for the pages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.logbook.made_outcomes import START, origin, outcome
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture, Waveform

RECIPE = """\
wavewright: 1
title: VC-204 rail and enable
cautions:
  - The coil terminals fly back to 60 V at switch-off. Keep the cover closed while the run is on.
measurements:
  rail_noise:
    place: Probe 1 on TP3 with the short ground spring.
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV}
      enable: {input: 2, range: 8 V, offset: 2 V}
    timebase: {span: 2 ms, rate: 25 MHz}
    shots: 2
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV, over: max}
      ripple_tone: {metric: strongest_tone, of: rail, limit: 340 kHz ± 5 %}
      high: {metric: high_level, of: enable, limit: 3.2 V .. 3.4 V}
      width: {metric: positive_pulse_width, of: enable, limit: 19.99 us .. 20.01 us}
"""
SPIKE = 31234  # the sample of the second shot that leaves the enable line for one interval


def made_capture(shot: int, *, samples: int = 50_000) -> Capture:
    rng = np.random.default_rng(shot)
    time = np.arange(samples) * 4e-8 - 1e-4
    rail = 0.012 * np.sin(2 * np.pi * 340e3 * time) + rng.normal(0, 5e-4, samples)
    enable = 3.3 * ((time / 50e-6) % 1 < 0.4) + rng.normal(0, 0.01, samples)
    if shot == 1:
        enable[SPIKE] = 5.0
    return Capture(
        {
            "rail": _digitized(rail, 0.1, 0.0, "rail"),
            "enable": _digitized(enable, 8.0, 2.0, "enable"),
        },
        taken=START,
    )


def _digitized(volts: np.ndarray, span: float, offset: float, name: str) -> Waveform:
    codes = np.clip(np.round((volts - offset) / (span / 256)), -128, 127).astype(np.int8)
    return Waveform(
        codes, gain=span / 256, offset=offset, interval=4e-8, start=-1e-4, name=name, code_range=(-128, 127)
    )


def reported(*, serial: str = "VC204-0017", samples: int = 50_000) -> Outcome:
    recipe = parse_recipe(RECIPE, "recipes/rail.yaml")
    measurement = recipe.measurements[0]
    captures = [made_capture(shot, samples=samples) for shot in range(2)]
    results = evaluate(measurement, captures)
    plain = outcome(serial=serial)
    one = replace(
        plain.measurements[0],
        results=results,
        shots=2,
        asked={"input1.range": 0.08, "input1.coupling": "ac"},
        read_back={"input1.range": 0.1, "input1.coupling": "ac"},
    )
    failed = replace(one, name="reset_hold", results=(), error="no trigger within 5 s", shots=0)
    return replace(
        plain,
        title=recipe.title,
        recipe=origin("recipes/rail.yaml", RECIPE),
        parameters={},
        measurements=(one, failed),
        captures={"rail_noise": captures},
    )
