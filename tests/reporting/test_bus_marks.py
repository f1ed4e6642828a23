"""What the picture of a bus shows of its timing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from wavewright.buses.frame import Frame
from wavewright.recipe.load import parse_recipe
from wavewright.reporting.decisive_marks import marks_of
from wavewright.reporting.drawn_shot import DrawnShot
from wavewright.reporting.frame_strip import said
from wavewright.reporting.marks import MarkRole, SpanMark
from wavewright.running.evaluation import evaluate
from wavewright.running.result import MeasurementOutcome
from wavewright.running.shot import ExaminedShot
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import i2c_lines, write_transfer
from wavewright.waveform import Capture

RECIPE = """
wavewright: 1
title: t
measurements:
  sensor:
    channels: {scl: {input: 1, range: 8 V}, sda: {input: 2, range: 8 V}}
    timebase: {span: 1 ms, rate: 20 MHz}
    trigger: {mode: auto, on: sda, level: 1.65 V}
    decode: {line: {bus: i2c, scl: scl, sda: sda, mode: fast, levels: i2c 3.3 V}}
    compute:
      low_period: {of: line, limit: published}
      wrong: {metric: frame_errors, of: line, limit: exactly 0}
"""


@pytest.mark.parametrize(
    "fields, errors, shown",
    [
        ({"address": 0x48, "read": True, "data": b"\x15\x9f", "acknowledged": (True, True, False), "stopped": True,
          "clock_low": 6.5e-6}, (), "0x48 read: 15 9F"),
        ({"address": 0x48, "read": False, "repeated": True, "data": b"\x31"}, (), "0x48 write repeated: 31"),
        ({"identifier": 0x2A4, "extended": False, "remote": True, "acknowledged": True}, (), "0x2A4 remote"),
        ({"mosi": 0xA5, "miso": 0x00}, (), "mosi 0xA5 miso 0x00"),
        ({"address": 0x11, "data": b"\x04", "crc": 0x2702}, ("crc",), "0x11: 04 (crc)"),
        ({}, ("cut",), "burst (cut)"),
    ],
)  # fmt: skip
def test_a_box_says_what_its_frame_says_and_no_value_without_a_name(
    fields: dict[str, object], errors: tuple[str, ...], shown: str
) -> None:
    assert said(Frame(0.0, 1e-3, "burst", fields, errors)) == shown


@pytest.mark.parametrize("bit_rate, is_bad", [(300e3, False), (500e3, True)])
def test_the_worst_occurrence_is_marked_on_the_bus(bit_rate: float, is_bad: bool) -> None:
    # UM10204, table 10: tLOW at least 1.3 us in Fast-mode; math: SCL is low for 55 % of a clock
    lines = i2c_lines([write_transfer(0x48, b"\x5a")], bit_rate=bit_rate, lead=5e-6, tail=5e-6)
    named = zip(("scl", "sda"), lines, strict=True)
    capture = Capture({name: replace(draw(line, rate=100e6), name=name) for name, line in named})
    measurement = parse_recipe(RECIPE, "r.yaml").measurements[0]
    one = MeasurementOutcome("sensor", results=evaluate(measurement, [capture]))
    subject = DrawnShot(one, measurement, [capture], 0, ExaminedShot(capture, measurement), "sensor")
    (mark,) = (mark for mark in marks_of(subject)["scl"] if isinstance(mark, SpanMark))
    reading = one.results[0].reading
    assert (mark.role is MarkRole.FAILED, mark.first) == (is_bad, reading.at)
    assert mark.last - mark.first == pytest.approx(reading.value)
    assert mark.label.startswith("low_period 1.")
