"""All shots of a measurement superimposed, with its mask, its violations and the rare paths marked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from wavewright.analysis.statistics.density import Density
from wavewright.analysis.statistics.masks import MaskTest, PolygonMask, Violation
from wavewright.reporting.count_picture import count_picture, described_counts
from wavewright.reporting.marks import Mark, MarkRole, OutlineMark, PolygonMark
from wavewright.reporting.picture import Picture
from wavewright.reporting.rare_outlines import path_outline

if TYPE_CHECKING:
    from wavewright.reporting.drawn_shot import DrawnShot

MOST_MARKED = 100
MOST_NAMED = 20


def density_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """The density of the channel that `persistence:` names; nothing without it."""
    counted = subject.persistence
    if counted is None or counted.density is None:
        return
    density = counted.density
    unit = subject.shot.wave(counted.channel).unit
    rare = counted.rare_paths()
    violations = counted.test.violations if counted.test is not None else ()
    marks: list[Mark] = [*_mask_marks(counted.test)]
    marks += [_violation(one, density) for one in violations[:MOST_MARKED]]
    marks += [path_outline(one, density) for one in rare[:MOST_MARKED]]
    told = described_counts(density.counts, density.shots, density.levels, unit)
    if subject.measurement.persistence is not None and subject.measurement.persistence.rare is not None:
        told += f" Shots on rare paths: {', '.join(str(one.shot + 1) for one in rare[:MOST_NAMED]) or 'none'}"
        told += f" and {len(rare) - MOST_NAMED} more." if len(rare) > MOST_NAMED else "."
    if counted.test is not None:
        told += f" Violations of the mask: {counted.test.count}."
    title = f"Persistence: {counted.channel}, {density.shots} {'shot' if density.shots == 1 else 'shots'}"
    yield count_picture(
        density.counts, window=density.window, levels=density.levels, channel=counted.channel, unit=unit,
        name=f"{subject.anchor}-density", title=title, description=told, marks=marks,
    )  # fmt: skip


def _violation(found: Violation, density: Density) -> OutlineMark:
    """The cell of one place in the picture."""
    width = (density.window[1] - density.window[0]) / density.columns
    height = (density.levels[1] - density.levels[0]) / density.rows
    ends = np.array([found.level - height / 2]), np.array([found.level + height / 2])
    return OutlineMark(np.array([found.time - width / 2]), width, *ends, f"shot {found.shot + 1}", MarkRole.FAILED)


def _mask_marks(test: MaskTest | None) -> Iterator[PolygonMark]:
    if test is None or not isinstance(test.mask, PolygonMask):
        return
    for number, polygon in enumerate(test.mask.polygons):
        corners = tuple((float(time), float(level)) for time, level in polygon)
        yield PolygonMark(corners, "" if number else "mask", MarkRole.MASK)
