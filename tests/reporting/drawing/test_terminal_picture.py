"""Pictures in the terminal, read back by the dots of their characters (Unicode, block Braille Patterns)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.reporting.drawing.test_svg_picture import noisy, picture
from wavewright.reporting.drawing.terminal_picture import terminal_picture
from wavewright.reporting.layers import BarsLayer, CurveLayer, DensityLayer, PointsLayer
from wavewright.reporting.marks import FrameMark, InstantMark, LevelMark, MarkRole, OutlineMark, SpanMark
from wavewright.reporting.palette import BLACK
from wavewright.reporting.picture import Axis, Panel, Picture
from wavewright.waveform import Waveform

# by column of dots the bits of its four dots, the lowest first
COLUMNS = ((0x40, 0x04, 0x02, 0x01), (0x80, 0x20, 0x10, 0x08))
HEIGHT = 10


def plot(lines: Sequence[str]) -> list[str]:
    """The rows above the time axis."""
    rulers = [number for number, line in enumerate(lines) if line and set(line) <= set(" ─┬") and "┬" in line]
    ruler = rulers[0]
    return list(lines[ruler - HEIGHT : ruler])


def reach(rows: Sequence[str], column: int) -> tuple[int, int] | None:
    """The lowest and the highest dot of a column of dots, counted from the lowest of all."""
    character, side = divmod(column, 2)
    found = [
        4 * (len(rows) - 1 - number) + dot
        for number, row in enumerate(rows)
        for dot, bit in enumerate(COLUMNS[side])
        if character < len(row) and 0x2800 <= ord(row[character]) < 0x2900 and (ord(row[character]) - 0x2800) & bit
    ]
    return (min(found), max(found)) if found else None


@pytest.mark.parametrize("width", [60, 80, 160])
@pytest.mark.parametrize("glitch", [0, 77_777, 199_999])
def test_a_single_sample_reaches_its_level_in_its_column(glitch: int, width: int) -> None:
    drawn = picture(wave=noisy(glitch=glitch))
    rows = plot(list(terminal_picture(drawn, width=width)))
    axis = drawn.panels[0].axis
    dot = (axis.high - axis.low) / (4 * HEIGHT - 1)
    tops = {column: found[1] for column in range(2 * width) if (found := reach(rows, column))}
    highest = max(tops, key=lambda column: tops[column])
    assert axis.low + dot * tops[highest] == pytest.approx(0.117, abs=dot)
    columns = sorted(tops)
    assert (highest - columns[0]) / (columns[-1] - columns[0]) == pytest.approx(
        glitch / 199_999, abs=2.5 / len(columns)
    )
    bottoms = [found[0] for column in columns if (found := reach(rows, column))]
    assert axis.low + dot * min(bottoms) == pytest.approx(-0.02, abs=dot)


@pytest.mark.parametrize("width", [40, 60, 80, 200])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252"])
def test_no_line_is_wider_than_the_window_and_none_has_a_sign_that_the_console_lacks(width: int, encoding: str) -> None:
    drawn = picture(
        LevelMark(0.05, "limit of a name that is long enough for two: 50 mV ± 2 mV", MarkRole.LIMIT),
        SpanMark(1.99e-3, 2e-3, "rise_time 12.3 ns", MarkRole.FAILED),
        FrameMark(1e-3, 1.2e-3, "0x48 read: 15 9F", is_bad=True),
        InstantMark(0.5e-3, "tone", MarkRole.READING),
        wave=noisy(glitch=7),
    )
    lines = list(terminal_picture(drawn, width=width, encoding=encoding))
    assert all(len(line) <= width for line in lines)
    assert not [line for line in lines if line != line.encode(encoding, "replace").decode(encoding)]
    if encoding != "utf-8":
        assert all(line.isascii() for line in lines)
        assert any("#" in line for line in lines)


def test_limits_and_levels_are_lines_with_their_names() -> None:
    lines = list(terminal_picture(picture(LevelMark(0.05, "limit 50 mV", MarkRole.LIMIT),
                                          LevelMark(0.03, "50 % level", MarkRole.REFERENCE)), width=80))  # fmt: skip
    (limit,) = [line for line in lines if line.endswith(" limit 50 mV")]
    assert limit.count("─") > 50
    (level,) = [line for line in lines if line.endswith(" 50 % level")]
    assert level.count("┄") > 50
    # the tick of 50 mV stands in the same row
    assert lines.index(limit) < lines.index(level)


def test_a_limit_is_seen_through_a_dense_record() -> None:
    wave = Waveform(np.random.default_rng(3).integers(-100, 100, 200_000).astype(np.int8), gain=1e-3, interval=1e-8)
    lines = list(terminal_picture(picture(LevelMark(0.05, "limit", MarkRole.LIMIT), wave=wave), width=80))
    (limit,) = [line for line in lines if line.endswith(" limit")]
    assert limit.count("─") >= 30
    assert sum(0x2800 < ord(letter) < 0x2900 for letter in limit) >= 30


def test_marks_of_time_are_named_above_and_point_down() -> None:
    lines = list(terminal_picture(picture(SpanMark(1e-3, 1.5e-3, "reset_low 500 us", MarkRole.READING)), width=80))
    named = next(number for number, line in enumerate(lines) if "reset_low 500 us" in line)
    column = lines[named].index("reset_low")
    pointed = next(line for line in lines[named:] if "▾" in line)
    assert pointed[column] == "▾"
    assert any(row[column] == "┊" for row in plot(lines))


def test_a_damaged_frame_says_so_and_a_rare_path_has_its_sign() -> None:
    path = OutlineMark(np.array([1e-3]), 1e-8, np.array([0.0]), np.array([0.01]), "shot 177", MarkRole.RARE)
    frame = FrameMark(0.1e-3, 0.9e-3, "0x48 read: 15 9F (crc)", is_bad=True)
    text = "\n".join(terminal_picture(picture(path, frame), width=80))
    assert "[!0x48 read: 15 9F (crc)" in text
    assert "shot 177" in text
    assert text.count("◆") == 1


def test_points_that_failed_are_crosses_and_gaps_stay_open() -> None:
    points = PointsLayer("reading", BLACK, np.arange(5.0), np.array([1.0, 2.0, np.nan, 2.9, 1.0]), failed=(3,))
    curve = CurveLayer("mean", BLACK, np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([1.0, 1.0, np.nan, 1.0, 1.0]))
    panel = Panel("ripple", Axis("ripple", "V", 0.0, 3.0), (curve, points))
    rows = plot(list(terminal_picture(Picture("p", "P", "", Axis("run", "count", 0.0, 4.0), (panel,)), width=60)))
    assert sum(row.count("•") for row in rows) == 3
    assert sum(row.count("×") for row in rows) == 1
    drawn = [column for column in range(120) if reach(rows, column)]
    assert max(np.diff(drawn)) > 30  # from 1 to 3 of 4 runs there is no line


def test_bars_are_as_high_as_their_counts_and_the_first_and_last_are_whole() -> None:
    bars = BarsLayer("runs", BLACK, np.array([0.0, 1.0, 2.0, 3.0]), np.array([4.0, 2.0, 4.0]))
    panel = Panel("runs", Axis("runs", "count", 0.0, 4.0), (bars,))
    rows = plot(list(terminal_picture(Picture("b", "B", "", Axis("ripple", "V", 0.0, 3.0), (panel,)), width=60)))
    tops = [found[1] for column in range(120) if (found := reach(rows, column))]
    assert tops[0] == tops[-1] == 4 * HEIGHT - 1
    assert tops[len(tops) // 2] == pytest.approx((4 * HEIGHT - 1) / 2, abs=1)


def test_one_sample_of_a_density_has_its_dot() -> None:
    counts = np.zeros((40, 5200), dtype=np.uint32)
    counts[3, :] = 1_000_000
    counts[30, 3111] = 1
    panel = Panel("enable", Axis("enable", "V", 0.0, 4.0), (DensityLayer("enable", counts, (0.0, 1e-3), (0.0, 4.0)),))
    rows = plot(list(terminal_picture(Picture("d", "D", "", Axis("time", "s", 0.0, 1e-3), (panel,)), width=80)))
    high = [column for column in range(160) if (found := reach(rows, column)) and found[1] > 2 * HEIGHT]
    first = next(column for column in range(160) if reach(rows, column))
    last = max(column for column in range(160) if reach(rows, column))
    assert 1 <= len(high) <= 2
    assert (high[0] - first) / (last - first) == pytest.approx(3111 / 5200, abs=0.02)
