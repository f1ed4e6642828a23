from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from wavewright.pages.view_picture import View, view_picture, whole_view
from wavewright.reporting.layers import TraceLayer
from wavewright.waveform import Waveform

INTERVAL = 1e-6


def drawn(wave: Waveform, view: View) -> TraceLayer:
    (trace,) = view_picture({"line": wave}, view, title="shot").traces()
    return trace


@given(
    count=st.integers(1, 60_000), place=st.floats(0, 1, exclude_max=True), columns=st.integers(1, 2000),
    seen=st.tuples(st.floats(0, 1, exclude_max=True), st.floats(1e-4, 1)),
    kind=st.tuples(st.sampled_from([0.5, -0.5]), st.sampled_from([np.int8, np.uint16, np.float64]), st.booleans()),
)  # fmt: skip
def test_no_sample_of_a_view_is_ever_hidden(
    count: int, place: float, columns: int, seen: tuple[float, float], kind: tuple[float, type, bool]
) -> None:
    # given a flat record with one sample that stands out, and a view that has it inside
    (first, share), (gain, dtype, up) = seen, kind
    glitch = int(place * count)
    codes = np.full(count, 10, dtype=dtype)
    codes[glitch] = 20 if up else 0
    wave = Waveform(codes, gain=gain, interval=INTERVAL, start=-3e-6)
    begin = first * count * INTERVAL + wave.start
    view = View(begin, max(share * count * INTERVAL, 1e-9), columns)
    time = wave.time_of(glitch)
    if not view.start <= time <= view.start + view.span:
        view = View(min(begin, time), view.span + abs(begin - time), columns)
    # when it is drawn, then the sample is there, where it was
    trace = drawn(wave, view)
    highest, lowest = float(np.nanmax(trace.high())), float(np.nanmin(trace.low()))
    assert (lowest if up == (gain < 0) else highest) == np.float32(wave.value_of(codes[glitch]))
    at = int(np.nanargmin(trace.low()) if up == (gain < 0) else np.nanargmax(trace.high()))
    if count > 1:
        assert abs(trace.start + at * trace.step - time) <= trace.step / 2 * (1 + 1e-6)


def test_the_axis_is_the_view_and_the_range_of_the_converter() -> None:
    wave = Waveform(np.zeros(100, dtype=np.int8), gain=0.01, interval=INTERVAL, code_range=(-128, 127))
    picture = view_picture({"line": wave}, View(1e-5, 2e-5, 50), title="shot")
    assert (picture.axis.low, picture.axis.high) == (1e-5, 1e-5 + 2e-5)
    assert (picture.panels[0].axis.low, picture.panels[0].axis.high) == (-1.28, 1.27)


def test_a_view_beside_the_record_is_empty() -> None:
    wave = Waveform(np.zeros(100, dtype=np.int8), interval=INTERVAL)
    assert drawn(wave, View(1.0, 1.0, 50)).values.size <= 2


def test_a_reference_is_drawn_with_the_channel_of_its_name() -> None:
    wave = Waveform(np.zeros(10, dtype=np.int8), interval=INTERVAL)
    kept = Waveform(np.ones(10, dtype=np.int8), interval=INTERVAL)
    waves = {"line": wave, "other": wave}
    picture = view_picture(waves, whole_view(waves, 100), title="shot", kept={"line": kept})
    assert [trace.name for trace in picture.traces()] == ["line", "line, reference", "other"]
