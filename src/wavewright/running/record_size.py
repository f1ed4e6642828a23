"""How much the records of a run will take on the disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wavewright.instruments.vocabulary import Role
from wavewright.running.instrument_settings import requested_setup

if TYPE_CHECKING:
    from wavewright.recipe.recipe import Recipe
    from wavewright.running.selection import Selection

BESIDE = 8192  # bytes that a shot takes beside its codes: settings, scale, readings, the folders of HDF5


def record_size(recipe: Recipe, chosen: Selection) -> int:
    """Bytes of all shots together; a record in cycles, whose length only the bench will show, counts without codes."""
    waveform = chosen.profiles[Role.DIGITIZER].grammar.waveform
    form = waveform.formats.get(waveform.format)
    sample = form.size if form is not None else 1
    total = 0
    for measurement in recipe:
        goal = requested_setup(measurement, attenuations=chosen.attenuations)
        points = 0 if goal.cycles else goal.setup.timebase.points
        total += measurement.shots * (points * len(goal.setup.inputs) * sample + BESIDE)
    return total
