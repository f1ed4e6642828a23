"""Stored records in place of a bench: what a measurement would have found in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import read_waveforms
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.shot import ExaminedShot
from wavewright.waveform import Capture, Waveform


class RecordedShots:
    """Records out of files, one shot each, in their order and then again.

    Parameters
    ----------
    paths : of waveform files.
    interval : s, for files that do not state it.

    Raises
    ------
    FileFault, Misuse : one of them cannot be read.
    """

    is_simulated = False
    outputs_on = False

    def __init__(self, paths: Sequence[Path], *, interval: float | None = None) -> None:
        self._paths = tuple(paths)
        self._records = [read_waveforms(path, interval=interval) for path in paths]
        self._captures: list[Capture] = []
        self._measurement: Measurement | None = None
        self._next = 0

    @property
    def file(self) -> str:
        """What is looked at, for the page."""
        return ", ".join(str(path) for path in self._paths)

    @property
    def distinct(self) -> int:
        """How many shots there are that differ from each other."""
        return len(self._records)

    @property
    def is_ready(self) -> bool:
        """Whether a measurement is set up."""
        return self._measurement is not None

    def outputs_asked(self, measurement: Measurement) -> tuple[str, ...]:
        """None: a record has been taken already."""
        return ()

    def outputs_off(self) -> None:
        """Nothing: there is no instrument."""

    def set_up(self, recipe: Recipe, measurement: Measurement) -> None:
        """Find the channels of a measurement in every record: by name, else by the number of the input.

        Raises
        ------
        FileFault : a record lacks one of them.
        """
        self._measurement, self._next = None, 0
        self._captures = [
            Capture(_channels(measurement, record, path))
            for record, path in zip(self._records, self._paths, strict=True)
        ]
        self._measurement = measurement

    def take(self) -> ExaminedShot:
        """The next shot."""
        if self._measurement is None:
            raise Misuse("no measurement is set up")
        capture = self._captures[self._next % len(self._captures)]
        self._next += 1
        return ExaminedShot(capture, self._measurement)


def _channels(measurement: Measurement, record: Mapping[str, Waveform], path: Path) -> dict[str, Waveform]:
    numbered = list(record.values())
    found: dict[str, Waveform] = {}
    for name, channel in measurement.channels.items():
        wave = record.get(name)
        if wave is None and channel.input <= len(numbered):
            wave = numbered[channel.input - 1]
        if wave is None:
            raise FileFault(
                f"the record has no channel `{name}`, and none for input {channel.input}",
                where=str(path),
                expected=f"one of {', '.join(record)}",
                do=f"name the channel as the file does, or give it an input from 1 to {len(numbered)}",
            )
        found[name] = replace(wave, name=name)
    return found
