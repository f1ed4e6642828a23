"""Reads drawings back: values from places by the ticks that a reader of the drawing goes by."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

SPACE = "{http://www.w3.org/2000/svg}"
NUMBER = r"-?\\d+(?:\\.\\d+)?"


@dataclass(frozen=True)
class Drawn:
    """An SVG document as somebody reads it who knows nothing but the document."""

    root: Xml.Element

    @classmethod
    def of(cls, text: str) -> Drawn:
        return cls(Xml.fromstring(text))

    def texts(self) -> list[str]:
        return [element.text or "" for element in self.root.iter(f"{SPACE}text")]

    def frames(self) -> list[tuple[float, float, float, float]]:
        """Left, top, width and height of each plot: its clipping rectangle."""
        return [
            tuple(float(rect.get(name) or 0) for name in ("x", "y", "width", "height"))  # type: ignore[misc]
            for rect in self.root.iterfind(f".//{SPACE}clipPath/{SPACE}rect")
        ]

    def level_at(self, frame: int, y: float) -> float:
        """The number on the vertical axis at a height, by a straight line through its lowest and its highest tick."""
        left, top, _, height = self.frames()[frame]
        ticks = [
            (float(text.get("y") or 0) - 0.35 * 11, float(text.text or 0))
            for text in self.root.iter(f"{SPACE}text")
            if text.get("text-anchor") == "end" and float(text.get("x") or 0) < left
            and top - 1 <= float(text.get("y") or 0) - 0.35 * 11 <= top + height + 1
        ]  # fmt: skip
        (y0, v0), (y1, v1) = min(ticks), max(ticks)
        return v0 + (y - y0) * (v1 - v0) / (y1 - y0)

    def strokes(self, frame: int, colour: str) -> Iterator[tuple[float, float]]:
        """The corners of every path of that colour within a plot, as x and y."""
        group = self.root.findall(f"{SPACE}g")[frame]
        for path in group.iter(f"{SPACE}path"):
            if path.get("stroke") == colour:
                yield from corners(path.get("d") or "")


def corners(data: str) -> Iterator[tuple[float, float]]:
    """The points of the absolute commands M, L and V of a path (W3C SVG 2, 9.3)."""
    x = y = 0.0
    for command, rest in re.findall(r"([MLVHmlvh])([^MLVHmlvh]*)", data):
        numbers = [float(word) for word in re.findall(r"-?\d+(?:\.\d+)?", rest)]
        if command in "ML":
            x, y = numbers
        elif command == "V":
            (y,) = numbers
        else:
            continue
        yield x, y
