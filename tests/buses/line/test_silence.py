from __future__ import annotations

import numpy as np

from tests.buses.damaged.senders import character
from tests.buses.damaged.wire import Wire
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import measure_decoded
from wavewright.buses.line.silence import why_silent


def of(wire: Wire, bus: str = "lin", **options: object) -> BusRecord:
    wave = wire.sampled(0.0, wire.now, interval=2e-6, phase=0.3, generator=np.random.default_rng(1))
    return BusRecord({"line": wave}, bus, levels=(1.3, 2.0), **options)


def test_a_line_with_edges_and_no_frame_says_what_rate_it_looks_like() -> None:
    # characters, and no break that LIN begins a frame with; a bit of 19200 Bd lasts 52.1 us
    wire = Wire()
    wire.hold(1, 2e-3)
    for value in b"UUUU":
        wire.send(character(value, 8, "none", 1), 1 / 19200)
    wire.hold(1, 2e-3)
    text = why_silent(of(wire, baud=19200.0))
    assert text.startswith("no frames: `line`: 40 edges, shortest pulse 5")
    assert "the rate looks like 19" in text
    reading = measure_decoded(of(wire, baud=19200.0), "frame_errors")
    assert reading.value is None
    assert text in reading.reason


def test_a_line_that_rests_says_so() -> None:
    wire = Wire(0)
    wire.hold(0, 1e-2)
    assert why_silent(of(wire, baud=19200.0)) == "no frames: `line`: no edges, low all the time"
