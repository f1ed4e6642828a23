"""Layers of a panel as elements of SVG."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from wavewright.reporting.drawing.look import INK, ROLES, SHADES, readable
from wavewright.reporting.drawing.plot_area import PlotArea
from wavewright.reporting.drawing.trace_columns import drawn_columns, in_spread
from wavewright.reporting.layers import BandLayer, BarsLayer, CurveLayer, DensityLayer, Layer, PointsLayer, TraceLayer
from wavewright.reporting.marks import MarkRole

Floats = npt.NDArray[np.float64]
SPARSE = 2.0  # units of width per sample: from there on a trace is a line through its samples
THIN = 1.2
TALL = 3.0  # units: a column that is taller is one of a spread, or an edge
BEYOND = 2.0  # units that a sample lies beyond its neighbours when it is drawn in full
MOST_LOOKED_AT = 2000  # columns of a density: more than that are joined, each keeping its largest count


def svg_layer(layer: Layer, plot: PlotArea) -> Iterator[str]:
    """The elements of one layer."""
    match layer:
        case TraceLayer():
            yield from _trace(layer, plot)
        case BandLayer():
            yield _area(plot.x.places(layer.x), plot.y.places(layer.highs), plot.y.places(layer.lows), layer.colour)
        case DensityLayer():
            yield from _density(layer, plot)
        case PointsLayer():
            yield from _points(layer, plot)
        case BarsLayer():
            yield from _bars(layer, plot)
        case CurveLayer():
            yield from _curve(layer, plot)


def line_path(xs: Iterable[float], ys: Iterable[float]) -> str:
    """The data of a path through points; where one is not a number the line is interrupted."""
    words, is_down = [], False
    for x, y in zip(xs, ys, strict=True):
        if not (np.isfinite(x) and np.isfinite(y)):
            is_down = False
            continue
        words.append(f"{'L' if is_down else 'M'}{x:.1f} {y:.1f}")
        is_down = True
    return "".join(words)


def _trace(layer: TraceLayer, plot: PlotArea) -> Iterator[str]:
    colour = readable(layer.colour)
    span = (plot.x.high - plot.x.low) / layer.step
    if layer.is_whole and plot.width >= SPARSE * span:
        times = layer.start + layer.step * np.arange(layer.values.size)
        keep = (times >= plot.x.low - layer.step) & (times <= plot.x.high + layer.step)
        yield _stroke(line_path(plot.x.places(times[keep]), plot.y.places(layer.values[keep])), colour, THIN)
        return
    count = max(1, round(plot.width))
    found = drawn_columns(layer, plot.x, count)
    xs = plot.left + plot.width * (np.arange(count) + 0.5) / count
    highs, lows = plot.y.places(found.highs), plot.y.places(found.lows)
    # where columns are tall side by side, a spread that can be looked through, with the mean in it; an edge by itself,
    # and what lies beyond its neighbours, in full: a single sample is as dark as many
    is_spread = in_spread(lows - highs, least=TALL)
    wide = plot.width / count + 0.2
    yield _stroke(_uprights(xs, highs, lows, is_spread), colour, wide, more=' opacity="0.45"')
    yield _stroke(_uprights(xs, highs, lows, ~is_spread), colour, wide)
    above, below = _beyond(highs, np.fmin), _beyond(lows, np.fmax)
    yield _stroke(_uprights(xs, highs, above, is_spread & (above - highs > BEYOND)), colour, wide)
    yield _stroke(_uprights(xs, below, lows, is_spread & (lows - below > BEYOND)), colour, wide)
    yield _stroke(line_path(xs, np.where(is_spread, plot.y.places(found.means), np.nan)), colour, 1.4)


def _beyond(ends: Floats, nearer: np.ufunc) -> Floats:
    """The outermost end of the two columns on each side."""
    padded = np.pad(ends, 2, constant_values=np.nan)
    found: Floats = nearer.reduce([padded[step : step + ends.size] for step in (0, 1, 3, 4)])
    return found


def _uprights(xs: Floats, highs: Floats, lows: Floats, which: npt.NDArray[np.bool_]) -> str:
    keep = which & np.isfinite(highs) & np.isfinite(lows)
    return "".join(
        f"M{x:.1f} {high:.1f}V{max(low, high + 0.9):.1f}"
        for x, high, low in zip(xs[keep], highs[keep], lows[keep], strict=True)
    )


def _density(layer: DensityLayer, plot: PlotArea) -> Iterator[str]:
    counts = _joined_columns(np.asarray(layer.counts), plot)
    rows, columns = counts.shape
    most = max(1, int(counts.max(initial=0)))
    # the logarithm of the count: one sample is seen beside a million
    steps = np.where(counts > 0, 1 + ((len(SHADES) - 1) * np.log1p(counts) / np.log1p(most)).astype(np.int64), 0)
    left, right = (plot.x.place(end) for end in layer.across)
    lower, upper = (plot.y.place(end) for end in layer.upwards)
    wide, high = (right - left) / columns, (lower - upper) / rows
    paths: dict[int, list[str]] = {}
    for row in range(rows):
        y = lower - (row + 0.5) * high
        line = steps[row]
        ends = np.flatnonzero(np.diff(line, prepend=0, append=0))
        for first, last in pairwise(ends):
            if shade := int(line[first]):
                paths.setdefault(shade, []).append(f"M{left + first * wide:.1f} {y:.1f}h{(last - first) * wide:.1f}")
    for shade, words in sorted(paths.items()):
        yield _stroke("".join(words), SHADES[shade - 1], max(high, 0.8), more=' stroke-linecap="butt"')


def _joined_columns(counts: npt.NDArray[np.generic], plot: PlotArea) -> npt.NDArray[np.int64]:
    """No more columns than the drawing has units, each with the largest count of those that it stands for."""
    wanted = max(1, min(MOST_LOOKED_AT, round(2 * plot.width)))
    if counts.shape[1] <= wanted:
        return counts.astype(np.int64)
    firsts = np.linspace(0, counts.shape[1], wanted, endpoint=False).astype(np.int64)
    found: npt.NDArray[np.int64] = np.maximum.reduceat(counts.astype(np.int64), firsts, axis=1)
    return found


def _points(layer: PointsLayer, plot: PlotArea) -> Iterator[str]:
    colour = readable(layer.colour)
    xs, ys = plot.x.places(layer.x), plot.y.places(layer.y)
    if layer.is_joined:
        yield _stroke(line_path(xs, ys), colour, 1.0)
    failed = set(layer.failed)
    for number, (x, y) in enumerate(zip(xs, ys, strict=True)):
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        label = f"<title>{escape(layer.labels[number])}</title>" if number < len(layer.labels) else ""
        if number in failed:
            yield (
                f'<path d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8" fill="none" stroke="{ROLES[MarkRole.FAILED]}" '
                f'stroke-width="2">{label}</path>'
            )
        else:
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}">{label}</circle>'


def _bars(layer: BarsLayer, plot: PlotArea) -> Iterator[str]:
    edges, foot = plot.x.places(layer.edges), min(plot.y.place(0.0), plot.bottom)
    for left, right, height in zip(edges[:-1], edges[1:], layer.heights, strict=True):
        top = plot.y.place(float(height))
        if height > 0:
            yield (
                f'<rect x="{left:.1f}" y="{top:.1f}" width="{max(right - left, 0.5):.1f}" height="{foot - top:.1f}" '
                f'fill="{layer.colour}" stroke="{INK}" stroke-width="0.7"/>'
            )


def _curve(layer: CurveLayer, plot: PlotArea) -> Iterator[str]:
    colour, scale = readable(layer.colour), plot.right if layer.is_on_right else plot.y
    xs, ys = plot.x.places(layer.x), scale.places(layer.y)
    if layer.lows is not None and layer.highs is not None:
        ends = zip(xs, scale.places(layer.highs), scale.places(layer.lows), strict=True)
        words = (
            f"M{x:.1f} {high:.1f}V{low:.1f}M{x - 3:.1f} {high:.1f}h6M{x - 3:.1f} {low:.1f}h6"
            for x, high, low in ends if np.isfinite([x, high, low]).all()
        )  # fmt: skip
        yield _stroke("".join(words), colour, 1.0)
    yield _stroke(line_path(xs, ys), colour, 1.3)
    if layer.has_points:
        for x, y in zip(xs, ys, strict=True):
            if np.isfinite(x) and np.isfinite(y):
                yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}"/>'


def _area(xs: Floats, highs: Floats, lows: Floats, colour: str) -> str:
    keep = np.isfinite(highs) & np.isfinite(lows)
    data = line_path([*xs[keep], *xs[keep][::-1]], [*highs[keep], *lows[keep][::-1]])
    return f'<path d="{data}Z" fill="{readable(colour)}" fill-opacity="0.18"/>' if data else ""


def _stroke(data: str, colour: str, width: float, *, more: str = "") -> str:
    if not data:
        return ""
    return f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{width:.2g}"{more}/>'
