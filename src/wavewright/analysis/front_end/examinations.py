"""What is looked into for every reading: each examination finds one thing that speaks against the set-up, or nothing.

Adding one is one function here and one entry in the table of doubts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from wavewright.analysis.doubts import Finding
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.front_end.droop import droop
from wavewright.analysis.front_end.edge_speed import slow_setup
from wavewright.analysis.front_end.ground_lead import ground_lead
from wavewright.analysis.front_end.input_noise import input_noise
from wavewright.analysis.front_end.instants import input_skew, trigger_jitter
from wavewright.analysis.front_end.loading import probe_loading
from wavewright.analysis.front_end.stated_frequency import off_frequency, unseen_band
from wavewright.analysis.front_end.stated_levels import level_in_noise, level_not_reached

Examination = Callable[[Read], Finding | None]

OF_THE_SET_UP: tuple[Examination, ...] = (
    slow_setup,
    probe_loading,
    droop,
    input_noise,
    input_skew,
    trigger_jitter,
    ground_lead,
)
"""Those that ask what is known about the way of a channel; without any, nothing is found."""

OF_THE_OPTIONS: tuple[Examination, ...] = (level_not_reached, level_in_noise, off_frequency, unseen_band)
"""Those that compare what a recipe states with the record."""


def examined(read: Read) -> Iterator[Finding]:
    """What speaks against the set-up of a reading, and the options of its metric."""
    for examination in OF_THE_OPTIONS:
        if (found := examination(read)) is not None:
            yield found
    if not any(front_end is not None for front_end in read.front_ends):
        return
    for examination in OF_THE_SET_UP:
        if (found := examination(read)) is not None:
            yield found
    for front_end in read.front_ends:
        if front_end is not None:
            yield from (Finding(doubt, text) for doubt, text in front_end.stated)
