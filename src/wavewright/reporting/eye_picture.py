"""The eye diagram of a line, where a reading was taken from its eye."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from wavewright.analysis.catalogue import METRICS
from wavewright.analysis.jitter.eye import eye_diagram
from wavewright.errors import NotMeasurable
from wavewright.reporting.count_picture import count_picture, described_counts
from wavewright.reporting.picture import Picture

if TYPE_CHECKING:
    from wavewright.recipe.computation import Computation
    from wavewright.reporting.drawn_shot import DrawnShot

EYES = frozenset({"eye_height", "eye_width"})


def eye_pictures(subject: DrawnShot) -> Iterator[Picture]:
    """An eye for each channel whose eye was measured, with the bit rate that the recipe gives."""
    wanted = {one.of[0]: one for one in subject.measurement.compute.values() if one.metric in EYES and one.of}
    for number, (channel, one) in enumerate(wanted.items(), 1):
        try:
            survey = subject.shot.survey(channel)
            eye = eye_diagram(survey, bit_rate=_bit_rate(one))
        except NotMeasurable:
            continue
        window = (float(eye.time_borders[0]), float(eye.time_borders[-1]))
        levels = (float(eye.level_borders[0]), float(eye.level_borders[-1]))
        yield count_picture(
            eye.counts, window=window, levels=levels, channel=channel, unit=survey.unit,
            name=f"{subject.anchor}-eye{number}", title=f"Eye of {channel}",
            description=described_counts(eye.counts, 1, levels, survey.unit),
        )  # fmt: skip


def _bit_rate(one: Computation) -> float | None:
    """The nominal bit rate that an entry gives, bit/s; None where it leaves that to the record."""
    rate = METRICS.find(one.metric).options(one.options).get("bit_rate")
    return None if rate is None else float(rate)
