"""Pictures in a real browser: nothing rare is lost, no label hides anything, and everybody can use them."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from PIL import Image

from tests.reporting.conftest import Visit
from tests.reporting.test_decisive_marks import rare_shots
from wavewright.reporting.density_picture import density_pictures
from wavewright.reporting.html import render
from wavewright.reporting.layers import DensityLayer, PointsLayer, TraceLayer
from wavewright.reporting.marks import FrameMark, LevelMark, Mark, MarkRole, SpanMark
from wavewright.reporting.palette import BLUE
from wavewright.reporting.picture import CLOCK, Axis, Panel, Picture
from wavewright.reporting.traces import trace_picture
from wavewright.waveform import Waveform

pytestmark = pytest.mark.browser
SPIKE = 123_457
RARE = {"light": (0xA3, 0x26, 0x7A), "dark": (0xFF, 0x9A, 0xD5)}


def dense() -> Waveform:
    """A quarter of a million samples of noise, one of them far outside."""
    rng = np.random.default_rng(204)
    codes = rng.normal(0, 6, 250_000).round().clip(-40, 40).astype(np.int8)
    codes[SPIKE] = 120
    return Waveform(codes, gain=1e-3, interval=1e-8, start=-1e-4, name="rail", code_range=(-128, 127))


def crowded() -> list[Mark]:
    """More marks at one place than have room beside one another."""
    spans = [SpanMark(k * 2e-6, k * 2e-6 + 1e-6, f"reading {k}: 12.34 us (limit: at most 20 us)", MarkRole.READING)
             for k in range(6)]  # fmt: skip
    levels = [LevelMark(0.001 * k, f"level {k}: {k} mV", MarkRole.LIMIT) for k in range(6)]
    return [*spans, *levels, FrameMark(0.0, 4e-4, "0x48 read: 15 9F"), FrameMark(5e-4, 5.01e-4, "0x48 write: 31", True)]


@pytest.fixture(scope="module")
def density() -> Picture:
    (found,) = density_pictures(rare_shots()[1])
    return replace(found, name="density")


@pytest.fixture(scope="module")
def seen(visit: Callable[..., Visit], density: Picture) -> Iterator[Visit]:
    """Both pictures on one page, for all tests that leave them as they are."""
    made = opened(visit, density)
    yield made
    # what we read of the canvas here, the page does not read
    assert [text for text in made.said if "readback" not in text] == []


def opened(visit: Callable[..., Visit], density: Picture) -> Visit:
    trace = trace_picture({"rail": dense()}, trigger_time=0.0, name="trace", title="Rail", marks={"rail": crowded()})
    pages = [render("picture.html.j2", title=one.title, picture=one, has_pictures=True) for one in (trace, density)]
    begin, end = pages[1].index("<figure"), pages[1].index("</figure>") + len("</figure>")
    return visit(pages[0].replace("</figure>", "</figure>" + pages[1][begin:end], 1))


def layer_of(picture: Picture) -> DensityLayer:
    (layer,) = picture.panels[0].layers
    assert isinstance(layer, DensityLayer)
    return layer


COUNTS = """([view, width, height]) => Array.from(chartColumns.ofCounts(
  document.querySelector("#density").chart.picture.panels[0].layers[0], view, width, height))"""


@pytest.mark.parametrize("width, height", [(300, 200), (1300, 16), (5200, 16), (7001, 33)])
def test_each_pixel_has_the_largest_count_of_its_cells(seen: Visit, density: Picture, width: int, height: int) -> None:
    layer = layer_of(density)
    view = {"x": list(layer.across), "y": list(layer.upwards)}
    drawn = np.array(seen.page.evaluate(COUNTS, [view, width, height])).reshape(height, width)[::-1]
    # the same by another way: each cell goes to every pixel that it overlaps
    rows, columns = layer.counts.shape
    wanted = np.zeros((height, width), dtype=int)
    for row, column in np.argwhere(layer.counts):
        across = slice(int(column * width / columns + 1e-9), int(np.ceil((column + 1) * width / columns - 1e-9)))
        upwards = slice(int(row * height / rows + 1e-9), int(np.ceil((row + 1) * height / rows - 1e-9)))
        wanted[upwards, across] = np.maximum(wanted[upwards, across], layer.counts[row, column])
    if width <= columns and height <= rows:
        assert np.array_equal(drawn, wanted)
    assert np.array_equal(drawn > 0, wanted > 0)


FOUND = """([place, colour]) => { const figure = document.querySelector(place), { chart } = figure;
  const canvas = figure.querySelector("canvas"), over = figure.querySelector(".u-over"), scale = devicePixelRatio;
  const [low, high] = chart.view, panel = chart.picture.panels[0];
  const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
  const isIt = (x, y) => [0, 1, 2].every((k) => Math.abs(data[4 * (y * canvas.width + x) + k] - colour[k]) < 30);
  return panel.marks.filter((mark) => mark.kind === "outline").map((mark) => {
    const place = (x, y) => [over.offsetLeft + (over.offsetWidth * (x - low)) / (high - low),
      over.offsetTop + over.offsetHeight * (1 - (y - panel.axis.low) / (panel.axis.high - panel.axis.low))];
    const [left, top] = place(mark.times[0], mark.highs[0]), [right, bottom] = place(mark.times.at(-1), mark.lows[0]);
    let inside = 0, around = 0;
    for (let x = Math.round((left - 8) * scale); x <= (right + 8) * scale; x++) {
      for (let y = Math.round((top - 8) * scale); y <= (bottom + 8) * scale; y++) {
        if (!isIt(x, y)) continue;
        const isInside = x >= (left - 3) * scale && x <= (right + 3) * scale
          && y >= (top - 3) * scale && y <= (bottom + 3) * scale;
        isInside ? (inside += 1) : (around += 1);
      } }
    const isInView = left >= over.offsetLeft && right <= over.offsetLeft + over.offsetWidth;
    return [mark.label, inside, around, isInView]; }); }"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1400])
def test_rare_paths_are_seen_and_outlined_at_every_size_and_zoom(seen: Visit, width: int, scheme: str) -> None:
    seen.page.set_viewport_size({"width": width, "height": 900})
    seen.page.emulate_media(color_scheme=scheme)
    for zoom in ((None, None), (200e-6, 240e-6), (224e-6, 228e-6)):
        seen.page.evaluate(
            """async ([from, to]) => { const chart = document.querySelector("#density").chart;
               await (from === null ? chart.zoom() : chart.zoom(from, to));
               await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))); }""",
            list(zoom),
        )
        found = seen.page.evaluate(FOUND, ["#density", list(RARE[scheme])])
        visible = {label: (inside, around) for label, inside, around, is_in_view in found if is_in_view}
        assert set(visible) == ({"shot 14", "shot 21", "shot 160", "shot 178"} if zoom[0] is None else {"shot 160"})
        for label, (inside, around) in visible.items():
            assert inside >= 4, (zoom, label, "ink of the path itself")
            assert around >= 40, (zoom, label, "the outline around it")
    seen.page.emulate_media(color_scheme="light")
    seen.page.set_viewport_size({"width": 1200, "height": 900})


@pytest.mark.parametrize("width", [211, 900, 1999, 2500])
def test_no_sample_is_passed_over_in_columns_of_pixels(seen: Visit, width: int) -> None:
    wave = dense()
    columns = seen.page.evaluate(
        """(width) => { const { picture } = document.querySelector("#trace").chart;
           const found = chartColumns.ofTrace(picture.panels[0].layers[0], picture.axis.low, picture.axis.high, width);
           return [Array.from(found.low), Array.from(found.high)]; }""",
        width,
    )
    low, high = (np.array(line, dtype=float) for line in columns)
    assert np.isfinite(high).all()
    assert np.nanmax(high) == pytest.approx(0.120)
    assert int(np.nanargmax(high)) == pytest.approx(SPIKE / len(wave) * width, abs=1 + width / 2000)
    assert np.nanmin(low) == pytest.approx(float(wave.values().min()))


@pytest.mark.parametrize("width", [50, 99, 150, 250])
def test_what_has_no_valid_sample_stays_open(seen: Visit, width: int) -> None:
    # 1000 samples, of which 200 .. 299 are invalid; whole, and as 100 columns of 10
    values = np.arange(1000, dtype=float)
    values[200:300] = np.nan
    rows = values.reshape(100, 10)
    means = [None if np.isnan(row).any() else float(row.mean()) for row in rows]
    whole = [None if np.isnan(value) else float(value) for value in values]
    for is_whole, step, line in ((True, 1.0, whole), (False, 10.0, means)):
        start = 0.0 if is_whole else 4.5
        low, high = seen.page.evaluate(
            """([is_whole, start, step, line, width]) => {
               const values = Float64Array.from(line, (one) => (one === null ? NaN : one));
               const ends = is_whole ? null : values;
               const layer = { is_whole, start, step, values, lows: ends, highs: ends };
               const found = chartColumns.ofTrace(layer, -0.5, 999.5, width);
               return [Array.from(found.low), Array.from(found.high)]; }""",
            [is_whole, start, step, line, width],
        )
        places = (np.arange(width) + 0.5) / width * 1000
        is_open = np.isnan(np.array(low, dtype=float))
        gap = (places > 200 + 1000 / width) & (places < 300 - 1000 / width)
        assert is_open[gap].all(), (is_whole, width)
        assert not is_open[(places < 200 - 1000 / width) | (places > 300 + 1000 / width)].any(), (is_whole, width)
        assert np.isnan(np.array(high, dtype=float)).sum() == is_open.sum()


def test_a_single_sample_has_ink_of_its_own(seen: Visit) -> None:
    # a spread can be looked through; what lies beyond its neighbours is drawn in full
    column = seen.page.evaluate(
        """([time, value]) => { const figure = document.querySelector("#trace"), { chart } = figure;
           const canvas = figure.querySelector("canvas"), over = figure.querySelector(".u-over");
           const { axis } = chart.picture.panels[0], [from, to] = chart.view, scale = devicePixelRatio;
           const x = (over.offsetLeft + over.offsetWidth * (time - from) / (to - from)) * scale;
           const share = 1 - (value - axis.low) / (axis.high - axis.low);
           const y = (over.offsetTop + over.offsetHeight * share) * scale;
           const { data } = canvas.getContext("2d").getImageData(Math.round(x) - 3, Math.round(y), 7, 1);
           return Array.from({ length: 7 }, (_, at) => [data[4 * at], data[4 * at + 3]]); }""",
        [dense().time_of(SPIKE), 0.09],
    )
    assert sum(alpha > 250 and red < 60 for red, alpha in column) >= 1


def test_labels_neither_overlap_nor_stand_in_the_plot(seen: Visit) -> None:
    boxes = seen.page.evaluate(
        """() => { const figure = document.querySelector("#trace"), canvas = figure.querySelector("canvas");
           const over = figure.querySelector(".u-over"), ctx = canvas.getContext("2d"), told = [];
           const original = ctx.fillText.bind(ctx), half = 6 * devicePixelRatio;
           ctx.fillText = (text, x, y) => { const wide = ctx.measureText(text).width;
             const isOurs = ctx.textBaseline === "middle" && ctx.textAlign === "left";
             if (isOurs) told.push([text, x, y - half, x + wide, y + half]);
             original(text, x, y); };
           figure.chart.zoom();
           const ends = [over.offsetLeft, over.offsetTop, over.offsetLeft + over.offsetWidth];
           const plot = [...ends, over.offsetTop + over.offsetHeight].map((one) => one * devicePixelRatio);
           return new Promise((done) => requestAnimationFrame(() => { delete ctx.fillText; done([told, plot]); })); }"""
    )
    told, plot = boxes
    last = {}
    for text, *box in told:
        last[text] = box
    assert len(last) >= 6 + 6 + 1

    def overlap(one: list[float], other: list[float]) -> bool:
        return one[0] < other[2] - 1 and other[0] < one[2] - 1 and one[1] < other[3] - 1 and other[1] < one[3] - 1

    names = sorted(last)
    for at, name in enumerate(names):
        assert not overlap(last[name], plot), name
        for other in names[at + 1 :]:
            assert not overlap(last[name], last[other]), (name, other)


def test_keys_go_from_place_to_place_and_back_to_the_whole(seen: Visit) -> None:
    seen.page.focus("#trace .plot")
    whole = seen.page.evaluate("document.querySelector('#trace').chart.view")
    seen.page.keyboard.press("n")
    assert seen.page.inner_text("#trace output").startswith("1 of 7: reading 0: 12.34 us")
    first, last = seen.page.evaluate("document.querySelector('#trace').chart.view")
    assert first < 0.0
    assert last > 1e-6
    assert last - first < (whole[1] - whole[0]) / 10
    seen.page.keyboard.press("p")
    assert seen.page.inner_text("#trace output").startswith("7 of 7: 0x48 write: 31")
    for key, factor in (("+", 0.5), ("-", 1.0), ("ArrowRight", 1.0)):
        seen.page.keyboard.press(key)
        now = seen.page.evaluate("document.querySelector('#trace').chart.view")
        assert now[1] - now[0] == pytest.approx(factor * (last - first)), key
    seen.page.keyboard.press("Escape")
    assert seen.page.evaluate("document.querySelector('#trace').chart.view") == whole


def test_an_update_keeps_the_zoom_and_samples_come_as_they_were_sent(
    visit: Callable[..., Visit], density: Picture
) -> None:
    seen = opened(visit, density)
    picture = trace_picture(
        {"rail": dense()}, trigger_time=0.0, name="trace", title="Rail", keep_codes=False, columns=500
    )
    sent = list(picture.samples())
    found = seen.page.evaluate(
        """([document_, bytes]) => { const { chart } = document.querySelector("#trace");
           chart.zoom(0, 1e-4);
           const { buffer } = Uint8Array.from(bytes);
           const picture = fillSamples(document_, buffer);
           chart.update(picture);
           const view = chart.view, { lows, highs, values } = picture.panels[0].layers[0];
           chart.zoom();
           return [view, [lows, highs, values].map((line) => Array.from(line))]; }""",
        [picture.as_document(has_samples=False), sent],
    )
    assert found[0] == [0, 1e-4]
    (layer,) = picture.panels[0].layers
    assert isinstance(layer, TraceLayer)
    for line, wanted in zip(found[1], (layer.lows, layer.highs, layer.values), strict=True):
        assert np.array_equal(np.array(line, dtype=np.float32), wanted)
    assert [text for text in seen.said if "readback" not in text] == []


def test_the_date_of_a_clock_has_a_line_between_its_times_and_the_title(visit: Callable[..., Visit]) -> None:
    begun = datetime(2026, 3, 2, 8, tzinfo=UTC).timestamp()
    points = PointsLayer("reading", BLUE, begun + np.arange(0.0, 480.0, 60.0), np.full(8, 0.03))
    panel = Panel("ripple", Axis("ripple", "V", 0.0, 0.05), (points,), (), height=200)
    picture = Picture("clock", "Over time", "", Axis("time, UTC", CLOCK, begun - 60, begun + 540), (panel,))
    seen = visit(render("picture.html.j2", title="Over time", picture=picture, has_pictures=True))
    shot = Image.open(io.BytesIO(seen.page.locator("#clock canvas").screenshot())).convert("L")
    has_ink = (np.asarray(shot) < 128).any(axis=1)
    # from below: the title, the date, the times, each in a line of its own
    edges = np.flatnonzero(np.diff(np.concatenate([[False], has_ink, [False]]).astype(int)))
    heights = [int(end - begin) for begin, end in zip(edges[::2], edges[1::2], strict=True)][::-1]
    assert all(6 <= height <= 12 for height in heights[:3]), heights
