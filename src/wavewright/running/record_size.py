"""How much the records of a recipe take, before anything is measured."""

from __future__ import annotations

from wavewright.instruments.samples import sample_type
from wavewright.instruments.vocabulary import Role
from wavewright.recipe.recipe import Recipe
from wavewright.running.selection import Selection
from wavewright.running.wanted import wanted

BESIDE = 8192  # bytes that a shot takes beside its codes: settings, scale, readings, the folders of HDF5


def record_size(recipe: Recipe, chosen: Selection) -> int:
    """Bytes of all shots together; a record in cycles, whose length only the bench will tell, counts without codes."""
    waveform = chosen.profiles[Role.DIGITIZER].grammar.waveform
    form = waveform.formats.get(waveform.format)
    sample = sample_type(form).itemsize if form is not None else 1
    total = 0
    for measurement in recipe:
        goal = wanted(measurement, attenuations=chosen.attenuations)
        points = 0 if goal.cycles else goal.setup.timebase.points
        total += measurement.shots * (points * len(goal.setup.inputs) * sample + BESIDE)
    return total
