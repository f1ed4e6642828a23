"""A trace in the terminal: two columns and four rows of dots in each character, by the braille patterns of Unicode.

Every column of dots spans from the lowest to the highest sample in it, so that no single sample is lost.
"""

from __future__ import annotations

import numpy as np

from wavewright.quantities import show_quantity
from wavewright.waveform import Floats, Waveform

BLANK = 0x2800
# bits of the dots of a braille character, by row and column (Unicode, block Braille Patterns)
DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def terminal_trace(
    wave: Waveform, *, width: int = 72, height: int = 5, marks: int = 12, encoding: str = "utf-8"
) -> list[str]:
    """The lines of the drawing: the trace, with its highest and lowest value at the left, and the time axis below.

    Parameters
    ----------
    width, height : in characters, without the labels; marks : width of the labels.
    encoding : of what it is written to; one that lacks the patterns gets # where there is any dot.
    """
    columns, rows = 2 * width, 4 * height
    lows, highs = _envelope(wave, columns)
    lowest, highest = float(np.nanmin(lows)), float(np.nanmax(highs))
    scale = (rows - 1) / (highest - lowest) if highest > lowest else 0.0
    cells = np.full((height, width), BLANK, dtype=np.int64)
    middle = (rows - 1) // 2
    for column, (low, high) in enumerate(zip(lows, highs, strict=True)):
        if np.isnan(low):
            continue
        bottom = round((low - lowest) * scale) if scale else middle
        top = round((high - lowest) * scale) if scale else middle
        for row in range(bottom, top + 1):
            line, dot = divmod(rows - 1 - row, 4)
            cells[line, column // 2] |= DOTS[dot][column % 2]
    labels = [""] * height
    labels[0], labels[-1] = (show_quantity(end, wave.unit) for end in (highest, lowest))
    if not _has_patterns(encoding):
        cells = np.where(cells == BLANK, ord(" "), ord("#"))
    drawn = [f"{label:>{marks}} {''.join(map(chr, line))}".rstrip() for label, line in zip(labels, cells, strict=True)]
    begin, end = (show_quantity(time, "s") for time in (wave.start, wave.start + wave.duration))
    return [*drawn, f"{'':>{marks}} {begin}{end:>{max(width - len(begin), 1)}}"]


def _has_patterns(encoding: str) -> bool:
    try:
        chr(BLANK).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _envelope(wave: Waveform, columns: int) -> tuple[Floats, Floats]:
    """Lowest and highest value of each column; neighbouring columns meet, as the line between two samples does."""
    bounds = np.linspace(0, len(wave), columns + 1).astype(np.int64)
    lows, highs = np.full(columns, np.nan), np.full(columns, np.nan)
    for column in range(columns):
        first = max(int(bounds[column]) - 1, 0)
        values = wave.values(first, max(int(bounds[column + 1]), first + 1))
        values = values[np.isfinite(values)]
        if values.size:
            lows[column], highs[column] = values.min(), values.max()
    return lows, highs
