"""Readings, frames and densities of the shots so far, as messages to the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

import numpy as np

from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_field
from wavewright.errors import NotMeasurable
from wavewright.judgement.verdict import combined
from wavewright.pages.protocol import DensityMessage, FramesMessage, ReadingsMessage, ShownFrame, ShownRow
from wavewright.recipe.measurement import Measurement
from wavewright.reporting.marks import OutlineMark
from wavewright.reporting.rare_outlines import path_outline
from wavewright.running.persistence import PersistenceCount
from wavewright.running.readings_table import NOT_JUDGED, NOTHING, reading_row
from wavewright.running.result import Result
from wavewright.running.shot import ExaminedShot

MOST_FRAMES = 2000  # rows that a page gets; it is told how many there are
MOST_RARE = 50
MOST_CELLS = 400  # columns of the outline of one rare path


def readings_message(
    measurement: Measurement, results: Sequence[Result], *, shots: int, simulated: bool
) -> ReadingsMessage:
    """The readings of the newest shots, as the page gets them."""
    judged = [one.verdict for one in results if one.verdict is not None]
    return ReadingsMessage(
        simulated=simulated,
        measurement=measurement.label,
        rows=tuple(_row(measurement.label, one) for one in results),
        verdict=str(combined(judged)) if judged else "",
        shots=shots,
        wanted=measurement.shots,
    )


def frames_message(measurement: Measurement, shot: ExaminedShot, *, simulated: bool) -> FramesMessage:
    """What was said on the decoded lines of a shot, in order of time."""
    found = sorted(frames_of(measurement, shot), key=lambda one: one[1].start)
    rows = tuple(_frame(line, frame) for line, frame in found[:MOST_FRAMES])
    return FramesMessage(simulated=simulated, measurement=measurement.label, rows=rows, all=len(found))


def frames_of(measurement: Measurement, shot: ExaminedShot) -> Iterator[tuple[str, Frame]]:
    """Every frame with the name of its line."""
    for line in measurement.decode:
        with suppress(NotMeasurable):
            yield from ((line, frame) for frame in shot.frames(line))


def density_message(
    measurement: Measurement, counted: PersistenceCount, *, simulated: bool
) -> tuple[DensityMessage, bytes] | None:
    """All shots over one another, and the counts as bytes; None before the first shot."""
    density = counted.density
    if density is None:
        return None
    counts = density.counts
    begin, end = density.window
    low, high = density.levels
    message = DensityMessage(
        simulated=simulated,
        measurement=measurement.label,
        channel=counted.channel,
        unit=density.unit,
        rows=int(counts.shape[0]),
        columns=int(counts.shape[1]),
        start=begin,
        span=end - begin,
        lowest=low,
        highest=high,
        shots=density.shots,
        most=int(counts.max(initial=0)),
        rare=tuple(
            {
                "shot": path.shot + 1,
                "time": path.time,
                "level": path.level,
                "visits": path.visits,
                "outline": _outline(path_outline(path, density)),
            }
            for path in counted.rare_paths()[:MOST_RARE]
        ),
    )
    return message, np.minimum(counts, np.iinfo(np.uint32).max).astype("<u4").tobytes()


def _outline(outline: OutlineMark) -> dict[str, object]:
    """The cells of a rare path, column by column, as the page marks them."""
    return {
        "times": outline.times[:MOST_CELLS].tolist(),
        "step": outline.step,
        "lows": outline.lows[:MOST_CELLS].tolist(),
        "highs": outline.highs[:MOST_CELLS].tolist(),
        "label": outline.label,
    }


def _row(label: str, result: Result) -> ShownRow:
    row = reading_row(label, result)
    return ShownRow(
        label=result.name,
        reading="" if row.value == NOTHING else row.value,
        interval=row.reach,
        limit="" if row.limit == NOTHING else row.limit,
        margin="" if row.margin == NOTHING else row.margin,
        verdict="" if row.verdict == NOT_JUDGED else row.verdict,
        reason=row.reason,
        doubts=tuple(_doubts(result, row.doubts)),
    )


def _doubts(result: Result, sentences: Sequence[str]) -> Iterator[Mapping[str, str]]:
    said = dict(zip(result.untold_doubts, sentences, strict=True))
    for found in result.reading.doubted:
        yield {
            "code": str(found.doubt),
            "text": said.get(found.doubt, found.sentence),
            "cure": found.doubt.cure,
            "bears": "yes" if found.decides else "no",
        }


def _frame(line: str, frame: Frame) -> ShownFrame:
    fields: dict[str, Any] = {name: show_field(name, value) for name, value in frame.fields.items()}
    return ShownFrame(frame.start, frame.end, said(frame), fields, frame.errors, line)


def said(frame: Frame) -> str:
    """What a frame says, in a line."""
    from wavewright.reporting.frame_strip import said as in_strip

    return in_strip(frame)
