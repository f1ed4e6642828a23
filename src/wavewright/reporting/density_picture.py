"""All shots of a measurement superimposed, with its mask, its violations and the rare paths marked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from wavewright.analysis.statistics.density import Density
from wavewright.analysis.statistics.masks import MaskTest, PolygonMask
from wavewright.errors import NotMeasurable, WavewrightError
from wavewright.reporting.count_picture import count_picture, described_counts
from wavewright.reporting.marks import Mark, MarkRole, OutlineMark, PolygonMark
from wavewright.reporting.picture import Picture
from wavewright.running.persistence import PersistenceCount
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_MARKED = 100
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
    rare = counted.rare_paths()
    violations = counted.test.violations if counted.test is not None else ()
    marks: list[Mark] = [*_mask_marks(counted.test)]
    marks += [_found(one, density, MarkRole.FAILED) for one in violations[:MOST_MARKED]]
    marks += [_found(one, density, MarkRole.RARE) for one in rare[:MOST_MARKED]]
    told = described_counts(density.counts, density.shots, density.levels, unit)
    if wanted.rare is not None:
        told += f" Shots on rare paths: {', '.join(str(one.shot + 1) for one in rare[:MOST_NAMED]) or 'none'}"
        told += f" and {len(rare) - MOST_NAMED} more." if len(rare) > MOST_NAMED else "."
    if counted.test is not None:
        told += f" Violations of the mask: {counted.test.count}."
    title = f"Persistence: {counted.channel}, {density.shots} shots"
    yield count_picture(
        density.counts, window=density.window, levels=density.levels, channel=counted.channel, unit=unit,
        name=f"{subject.anchor}-density", title=title, description=told, marks=marks,
    )  # fmt: skip


def _found(found: Any, density: Density, role: MarkRole) -> OutlineMark:
    """The cell of one place in the picture."""
    width = (density.window[1] - density.window[0]) / density.columns
    height = (density.levels[1] - density.levels[0]) / density.rows
    ends = np.array([found.level - height / 2]), np.array([found.level + height / 2])
    return OutlineMark(np.array([found.time - width / 2]), width, *ends, f"shot {found.shot + 1}", role)


def _mask_marks(test: MaskTest | None) -> Iterator[PolygonMark]:
    if test is None or not isinstance(test.mask, PolygonMask):
        return
    for number, polygon in enumerate(test.mask.polygons):
        corners = tuple((float(time), float(level)) for time, level in polygon)
        yield PolygonMark(corners, "" if number else "mask", MarkRole.MASK)
