"""The script and the style that draw pictures in a page; every page has them inside, and loads nothing.

Whoever makes a page puts `chart_style()` into a style element and `chart_script()` into a script element, once. The
script then has three functions:

    drawChart(element, picture, {onZoom, onPick, onPlace, hasControls}) -> {update, zoom, mark, next, destroy}
    unpackPicture(document)              -> a promise of the picture, with arrays in place of packed ones
    fillSamples(document, buffer)        -> the picture, its traces filled with what `Picture.samples` has put together
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

LIBRARY = "youplot"  # whose package carries the chart library, uPlot, as two files
PARTS = (
    "chart_numbers.js",
    "chart_columns.js",
    "chart_colours.js",
    "chart_marks.js",
    "chart_layers.js",
    "chart.js",
)


@cache
def chart_script() -> str:
    """The chart library and our own part on top of it."""
    own = files("wavewright.reporting") / "templates"
    texts = [
        (files(LIBRARY) / "vendor" / "uplot.iife.min.js").read_text(encoding="utf-8"),
        *((own / part).read_text(encoding="utf-8") for part in PARTS),
    ]
    # a closing tag inside a string of the script would end the script element
    return "\n".join(texts).replace("</script", "<\\/script")


@cache
def chart_style() -> str:
    """The style of the chart library and of ours."""
    own = files("wavewright.reporting") / "templates" / "chart.css"
    library = (files(LIBRARY) / "vendor" / "uplot.min.css").read_text(encoding="utf-8")
    return f"{library}\n{own.read_text(encoding='utf-8')}"
