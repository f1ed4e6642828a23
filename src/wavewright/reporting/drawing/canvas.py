"""A plot of characters: each holds two columns and four rows of dots, by the braille patterns of Unicode, or one sign.

Dots are of what was measured; signs are of what is marked, and stand where no dot is.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wavewright.reporting.drawing.scale import AxisScale

BLANK = 0x2800
ACROSS, UPWARDS = 2, 4  # dots of a character
# bits of the dots of a braille character, by row and column (Unicode, block Braille Patterns)
BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
PLAIN = str.maketrans("─┄│┊┬•×▾◆…±", "--|:+oxv@~+")
SIGNS = "⣿─┄│┊•×▾◆…"
Floats = npt.NDArray[np.float64]


class Canvas:
    """Dots and signs.

    Parameters
    ----------
    width, height : in characters.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self._dots = np.zeros((UPWARDS * height, ACROSS * width), dtype=np.bool_)
        self._signs: dict[tuple[int, int], str] = {}
        self._over: dict[tuple[int, int], str] = {}

    @property
    def dot_columns(self) -> int:
        """How many columns of dots it has."""
        return ACROSS * self.width

    def fill(self, column: int, low: float, high: float) -> None:
        """Set the dots of a column from one place to another, both in rows of dots from the lowest; at least one."""
        top = UPWARDS * self.height - 1
        if not (np.isfinite(low) and np.isfinite(high)) or high < -0.5 or low > top + 0.5:
            return
        first, last = (round(min(max(end, 0.0), top)) for end in (low, high))
        self._dots[top - last : top - first + 1, column] = True

    def shade(self, column: int, low: float, middle: float, high: float) -> None:
        """A column of a spread: its two ends, its middle, and every other dot between them."""
        top = UPWARDS * self.height - 1
        for end in (low, middle, high):
            self.fill(column, end, end)
        if np.isfinite([low, high]).all():
            first, last = (round(min(max(end, 0.0), top)) for end in (low, high))
            rows = np.arange(top - last, top - first + 1)
            self._dots[rows[(rows + column) % 2 == 0], column] = True

    def line(self, xs: Floats, ys: Floats) -> None:
        """Set the dots of a line through points, in dots; where one is not a number the line is interrupted."""
        for number in range(len(xs) - 1):
            (x0, x1), (y0, y1) = xs[number : number + 2].tolist(), ys[number : number + 2].tolist()
            if not np.isfinite([x0, x1, y0, y1]).all():
                continue
            steps = int(max(abs(x1 - x0), abs(y1 - y0), 1.0)) + 1
            for x, y in zip(np.linspace(x0, x1, steps), np.linspace(y0, y1, steps), strict=True):
                if 0 <= round(x) < self.dot_columns:
                    self.fill(round(x), y, y)

    def across(self, row: int, sign: str) -> None:
        """A line of signs through a row of characters, from the top."""
        if 0 <= row < self.height:
            for column in range(self.width):
                self._signs[row, column] = sign

    def upright(self, column: int, sign: str) -> None:
        """A line of signs through a column of characters."""
        if 0 <= column < self.width:
            for row in range(self.height):
                self._signs[row, column] = sign

    def put(self, column: float, row: float, sign: str) -> None:
        """One sign, over what is there; in characters, the row from the top."""
        if np.isfinite([column, row]).all() and -0.5 <= column < self.width and -0.5 <= row < self.height:
            self._over[min(max(round(row), 0), self.height - 1), min(max(round(column), 0), self.width - 1)] = sign

    def lines(self, *, is_plain: bool) -> list[str]:
        """The characters, row by row; `is_plain` has nothing but ASCII, and so one dot per character."""
        cells = self._dots.reshape(self.height, UPWARDS, self.width, ACROSS)
        patterns = np.einsum("rucd,ud->rc", cells.astype(np.int64), BITS)
        return [
            "".join(self._character(row, column, patterns, is_plain) for column in range(self.width))
            for row in range(self.height)
        ]

    def _character(self, row: int, column: int, patterns: npt.NDArray[np.int64], is_plain: bool) -> str:
        sign = self._signs.get((row, column), " ")
        above, below = max(row - 1, 0), min(row + 1, self.height - 1)
        # within a spread, whose ends are elsewhere, a line is seen through every other column
        is_within = 0 < row < self.height - 1 and bool(patterns[above, column] and patterns[below, column])
        if over := self._over.get((row, column)):
            sign = over
        elif patterns[row, column] and not (is_within and sign != " " and column % 2):
            return "#" if is_plain else chr(BLANK + int(patterns[row, column]))
        return sign.translate(PLAIN) if is_plain else sign


def rows_of(scale: AxisScale, height: int) -> AxisScale:
    """The same axis in rows of dots from the lowest."""
    return AxisScale(scale.low, scale.high, 0.0, UPWARDS * height - 1.0, scale.is_log)
