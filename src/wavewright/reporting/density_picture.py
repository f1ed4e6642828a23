"""All shots of a measurement superimposed, with its mask, its violations and the rare paths marked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from wavewright.analysis.statistics.masks import MaskTest, PolygonMask
from wavewright.errors import NotMeasurable, WavewrightError
from wavewright.reporting.count_picture import add_boxes, count_figure, described_counts
from wavewright.reporting.palette import ORANGE, REDDISH_PURPLE, VERMILION
from wavewright.reporting.picture import Picture
from wavewright.running.persistence import PersistenceCount
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_BOXES = 100
MOST_NAMED = 20


def density_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """The density of the channel that `persistence:` names; nothing without it."""
    wanted = subject.measurement.persistence
    if wanted is None:
        return
    try:
        counted = PersistenceCount(wanted, ReferenceWaveforms(), subject.measurement)
    except WavewrightError:  # a golden file that is not here: the counts are shown without its band
        counted = PersistenceCount(wanted.model_copy(update={"mask": None}), ReferenceWaveforms(), subject.measurement)
    try:
        for shot in subject.shots:
            counted.add(ExaminedShot(shot, subject.measurement))
    except NotMeasurable:
        return
    density = counted.density
    if density is None:
        return
    unit = subject.shot.wave(counted.channel).unit
    figure = count_figure(
        density.counts, window=density.window, levels=density.levels, channel=counted.channel, unit=unit
    )
    rare = counted.rare_paths()
    violations = counted.test.violations if counted.test is not None else ()
    rings = [_around(one, density, VERMILION) for one in violations[:MOST_BOXES]]
    rings += [_around(one, density, REDDISH_PURPLE) for one in rare[:MOST_BOXES]]
    add_boxes(figure, [*_mask_boxes(counted.test), *rings])
    told = described_counts(density.counts, density.shots, density.levels, unit)
    if wanted.rare is not None:
        told += f" Shots on rare paths: {', '.join(str(one.shot + 1) for one in rare[:MOST_NAMED]) or 'none'}"
        told += f" and {len(rare) - MOST_NAMED} more." if len(rare) > MOST_NAMED else "."
    if counted.test is not None:
        told += f" Violations of the mask: {counted.test.count}."
    title = f"Persistence: {counted.channel}, {density.shots} shots"
    yield Picture(f"{subject.anchor}-density", title, told, figure)


def _around(found: Any, density: Any, colour: str) -> dict[str, Any]:
    """A ring around one place in the picture."""
    width, height = (0.012 * (ends[1] - ends[0]) for ends in (density.window, density.levels))
    ends = {
        "x0": found.time - width,
        "x1": found.time + width,
        "y0": found.level - 2 * height,
        "y1": found.level + 2 * height,
    }
    return {"type": "circle", **ends, "line": {"color": colour, "width": 2}}


def _mask_boxes(test: MaskTest | None) -> Iterator[dict[str, Any]]:
    if test is None or not isinstance(test.mask, PolygonMask):
        return
    for polygon in test.mask.polygons:
        path = " L ".join(f"{time!r},{level!r}" for time, level in polygon)
        yield {
            "type": "path",
            "path": f"M {path} Z",
            "line": {"color": VERMILION, "width": 1},
            "fillcolor": ORANGE,
            "opacity": 0.3,
        }
