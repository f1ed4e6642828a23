"""Pictures as SVG, read back as a reader reads them: by the ticks of their axes."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from tests.reporting.drawing.drawn import SPACE, Drawn
from wavewright.reporting.drawing.look import ROLES, readable
from wavewright.reporting.drawing.svg_picture import svg_picture
from wavewright.reporting.layers import BarsLayer, CurveLayer, DensityLayer, PointsLayer
from wavewright.reporting.marks import FrameMark, LevelMark, Mark, MarkRole, OutlineMark, SpanMark
from wavewright.reporting.palette import BLACK, ORANGE
from wavewright.reporting.picture import CLOCK, Axis, Panel, Picture
from wavewright.reporting.traces import trace_picture
from wavewright.waveform import Waveform


def noisy(samples: int = 200_000, *, glitch: int | None = None) -> Waveform:
    codes = np.random.default_rng(7).integers(-20, 20, samples).astype(np.int8)
    if glitch is not None:
        codes[glitch] = 117
    return Waveform(codes, gain=1e-3, interval=1e-8, name="rail")


def picture(*marks: Mark, wave: Waveform | None = None) -> Picture:
    return trace_picture({"rail": wave or noisy()}, trigger_time=0.0, name="t", title="Rail", marks={"rail": marks})


@pytest.mark.parametrize("glitch", [0, 1, 77_777, 199_998, 199_999])
def test_a_single_sample_is_at_its_level_whatever_the_record(glitch: int) -> None:
    wave = noisy(glitch=glitch)
    drawn = Drawn.of(svg_picture([picture(wave=wave)]))
    levels = [drawn.level_at(0, y) for _, y in drawn.strokes(0, BLACK)]
    step = abs(drawn.level_at(0, 0.0) - drawn.level_at(0, 1.0))  # of one unit of the drawing, mV
    assert max(levels) == pytest.approx(117.0, abs=step)
    assert min(levels) == pytest.approx(1e3 * float(wave.values().min()), abs=step)
    left, _, width, _ = drawn.frames()[0]
    highest = max(drawn.strokes(0, BLACK), key=lambda corner: -corner[1])
    assert (highest[0] - left) / width == pytest.approx(glitch / 199_999, abs=2 / width)


def test_a_limit_is_a_line_at_its_level_with_its_label_beside_the_plot() -> None:
    drawn = Drawn.of(svg_picture([picture(LevelMark(0.05, "limit 50 mV", MarkRole.LIMIT))]))
    places = {y for _, y in drawn.strokes(0, ROLES[MarkRole.LIMIT])}
    assert [drawn.level_at(0, y) for y in places] == [pytest.approx(50.0, abs=0.6)]
    left, _, width, _ = drawn.frames()[0]
    (label,) = [text for text in drawn.root.iter(f"{SPACE}text") if text.text == "limit 50 mV"]
    assert float(label.get("x") or 0) > left + width


def test_text_is_text_and_the_document_says_what_it_shows() -> None:
    drawn = Drawn.of(svg_picture([picture(LevelMark(0.05, "a < b & c", MarkRole.LIMIT))]))
    assert {"Rail", "a < b & c", "rail, mV", "time from the trigger, ms"} <= set(drawn.texts())
    described = drawn.root.findtext(f"{SPACE}desc") or ""
    assert "rail: 200000 samples from -20" in described
    named = [element.get("id") for element in drawn.root.iter() if element.tag in (f"{SPACE}title", f"{SPACE}desc")]
    assert drawn.root.get("aria-labelledby") == f"{named[0]} {named[1]}"


def test_two_documents_in_one_page_share_no_name() -> None:
    first, second = (Drawn.of(svg_picture([picture(wave=noisy(glitch=glitch))])) for glitch in (5, 6))
    names = [{element.get("id") for element in one.root.iter() if element.get("id")} for one in (first, second)]
    assert not names[0] & names[1]


def test_labels_of_instants_never_stand_over_one_another() -> None:
    marks = [SpanMark(at, at + 1e-5, f"rise_time {number}.34 ns", MarkRole.READING)
             for number, at in enumerate([0.0, 1e-6, 2e-6, 1e-3, 1.0001e-3, 1.9e-3, 1.95e-3])]  # fmt: skip
    drawn = Drawn.of(svg_picture([picture(*marks)]))
    boxes = [
        (float(text.get("x") or 0), float(text.get("y") or 0), 0.45 * 11 * len(text.text or ""))
        for text in drawn.root.iter(f"{SPACE}text") if text.get("fill") in ROLES.values()
    ]  # fmt: skip
    assert len(boxes) == len(marks) + 1  # and the trigger
    for number, (x, y, width) in enumerate(boxes):
        for other, above, its_width in boxes[number + 1 :]:
            assert abs(y - above) >= 11 or x + width <= other or other + its_width <= x


def test_many_levels_at_one_place_have_labels_below_one_another() -> None:
    marks = [LevelMark(0.05 + 1e-5 * number, f"level {number}", MarkRole.REFERENCE) for number in range(8)]
    drawn = Drawn.of(svg_picture([picture(*marks)]))
    heights = sorted(
        float(text.get("y") or 0) for text in drawn.root.iter(f"{SPACE}text") if "level " in (text.text or "")
    )
    assert len(heights) == 8
    assert min(np.diff(heights)) >= 12


def test_a_frame_says_its_text_where_it_has_room_and_never_beyond_it() -> None:
    marks = [
        FrameMark(1e-4 * number, 1e-4 * number + 8e-5, "0x48 read: 15 9F", is_bad=number == 3) for number in range(9)
    ]
    drawn = Drawn.of(svg_picture([picture(*marks)]))
    boxes = [rect for rect in drawn.root.iter(f"{SPACE}rect") if rect.find(f"{SPACE}title") is not None]
    assert [rect.findtext(f"{SPACE}title") for rect in boxes] == ["0x48 read: 15 9F"] * 9
    width = float(boxes[0].get("width") or 0)
    said = [text for text in drawn.texts() if text.startswith("0x4")]
    assert all(0.4 * 11 * len(text) <= width for text in said)
    assert [rect.get("stroke") == ROLES[MarkRole.FAILED] for rect in boxes] == [number == 3 for number in range(9)]


def test_an_outlined_path_is_there_however_short_it_is() -> None:
    path = OutlineMark(np.array([1e-3]), 1e-8, np.array([0.01]), np.array([0.0101]), "shot 177", MarkRole.RARE)
    drawn = Drawn.of(svg_picture([picture(path)]))
    rare = [
        rect
        for rect in drawn.root.iter(f"{SPACE}rect")
        if ROLES[MarkRole.RARE] in (rect.get("fill"), rect.get("stroke"))
    ]
    assert len(rare) == 2
    assert all(float(rect.get(side) or 0) >= 1.5 for rect in rare for side in ("width", "height"))
    assert "shot 177" in drawn.texts()


def test_one_count_among_a_million_is_drawn_and_an_empty_cell_is_not() -> None:
    counts = np.zeros((40, 5200), dtype=np.uint32)
    counts[3, :] = 1_000_000
    counts[30, 3111] = 1
    panel = Panel("enable", Axis("enable", "V", 0.0, 4.0), (DensityLayer("enable", counts, (0.0, 1e-3), (0.0, 4.0)),))
    drawn = Drawn.of(svg_picture([Picture("d", "Density", "", Axis("time", "s", 0.0, 1e-3), (panel,))]))
    left, top, width, height = drawn.frames()[0]
    cells = [
        (path.get("stroke"), data) for path in drawn.root.findall(f"{SPACE}g")[0].iter(f"{SPACE}path")
        for data in [path.get("d") or ""]
    ]  # fmt: skip
    assert [data.count("M") for _, data in cells] == [1, 1]
    x, y = (float(word) for word in cells[0][1].removeprefix("M").split("h")[0].split())
    assert (x - left) / width == pytest.approx(3111 / 5200, abs=1.5 / width)
    assert 1 - (y - top) / height == pytest.approx(30.5 / 40, abs=1e-3)


def test_a_curve_is_interrupted_where_there_is_no_value() -> None:
    curve = CurveLayer("mean", BLACK, np.arange(5.0), np.array([1.0, 2.0, np.nan, 1.0, 2.0]))
    panel = Panel("ripple", Axis("ripple", "V", 0.0, 3.0), (curve,))
    drawn = Drawn.of(svg_picture([Picture("c", "Curve", "", Axis("run", "count", 0.0, 4.0), (panel,))]))
    (path,) = [one for one in drawn.root.findall(f"{SPACE}g")[0].iter(f"{SPACE}path") if one.get("stroke") == BLACK]
    assert (path.get("d") or "").count("M") == 2


def test_points_say_their_names_and_failed_ones_are_crosses() -> None:
    names = ("a<b", "VC204-0002", "VC204-0003")
    points = PointsLayer("reading", BLACK, np.arange(3.0), np.array([1.0, 2.0, 1.5]), names, failed=(1,))
    bars = BarsLayer("runs", ORANGE, np.arange(4.0), np.ones(3))
    panel = Panel("ripple", Axis("ripple", "V", 0.0, 3.0), (points, bars))
    drawn = Drawn.of(svg_picture([Picture("p", "Points", "", Axis("run", "count", 0.0, 4.0), (panel,))]))
    (group,) = drawn.root.findall(f"{SPACE}g")
    assert [one.findtext(f"{SPACE}title") for one in group.iter(f"{SPACE}circle")] == ["a<b", "VC204-0003"]
    crosses = [one for one in group.iter(f"{SPACE}path") if one.find(f"{SPACE}title") is not None]
    assert [one.findtext(f"{SPACE}title") for one in crosses] == ["VC204-0002"]
    assert len(list(group.iter(f"{SPACE}rect"))) == 3


def test_letters_and_lines_of_every_trace_are_read_on_white() -> None:
    # contrast ratio of at least 4.5 (W3C WCAG 2.2, 1.4.3); yellow has 1.3 as it is
    from tests.reporting.test_notebook import luminance
    from wavewright.reporting.palette import COLOUR_SAFE

    assert all(1.05 / (luminance(readable(colour)) + 0.05) >= 4.5 for colour in (*COLOUR_SAFE, *ROLES.values()))


def test_a_mark_has_the_colour_that_it_has_on_a_page_on_light_ground() -> None:
    script = (files("wavewright.reporting") / "templates" / "chart_colours.js").read_text(encoding="utf-8")
    light = script[script.index("const LIGHT") : script.index("const DARK")]
    on_page = dict(re.findall(r'(\w+): "(#[0-9a-f]{6})"', light))
    assert {role: on_page[role] for role in ROLES} == dict(ROLES)


def test_nothing_in_a_document_is_fetched_and_the_same_picture_is_the_same_document() -> None:
    pictures = [picture(), replace(picture(), axis=Axis("time, UTC", CLOCK, 1.8e9, 1.8e9 + 9e5))]
    text = svg_picture(pictures)
    assert "href" not in text
    assert "url(" not in text.replace("url(#", "")
    assert svg_picture(pictures) == text
