"""The waveforms that others are compared with: of an earlier measurement of the run, or out of a file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from wavewright.errors import NotMeasurable
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.examined import Examined
from wavewright.running.periods import ReadStored
from wavewright.waveform import Waveform


class References:
    """What `compare:` and masks refer to.

    Parameters
    ----------
    recipe : says which measurements are referred to; only of those the first shot is held.
    read_stored : reads one channel of a file; without it, no file can be referred to.
    """

    def __init__(self, recipe: Recipe | None = None, *, read_stored: ReadStored | None = None) -> None:
        measurements = () if recipe is None else recipe.measurements
        self._folder = Path() if recipe is None else Path(recipe.path).parent
        self._wanted = {one.measurement for measurement in measurements for one in measurement.compare.values()}
        self._read_stored = read_stored
        self._held: dict[str, list[tuple[Mapping[str, str], Examined]]] = {}
        self._stored: dict[tuple[str, str], Waveform] = {}

    def offer(self, measurement: Measurement, shot: Examined) -> None:
        """Hold this shot, if the measurement is referred to; the first one under each condition is held."""
        if measurement.name not in self._wanted:
            return
        held = self._held.setdefault(measurement.name, [])
        if all(condition != measurement.condition for condition, _ in held):
            held.append((measurement.condition, shot))

    def measured(self, name: str, condition: Mapping[str, str]) -> Examined:
        """The first shot of an earlier measurement: under the same condition, if there is one, or under its first.

        Raises
        ------
        NotMeasurable : that measurement brought nothing.
        """
        held = self._held.get(name)
        if not held:
            raise NotMeasurable(f"`{name}`, to compare with, brought no shot")
        return next((shot for under, shot in held if under == condition), held[0][1])

    def load(self, measurements: Iterable[Measurement]) -> None:
        """Read every file that is referred to now, so that a fault in one is told before anything is measured.

        Raises
        ------
        FileFault, Misuse : a file cannot be used.
        """
        for measurement in measurements:
            for comparison in measurement.compare.values():
                if comparison.file:
                    self.stored(comparison.file, comparison.channel)
            persistence = measurement.persistence
            if persistence is not None and persistence.mask is not None and persistence.mask.around is not None:
                self.stored(persistence.mask.around, persistence.of or next(iter(measurement.channels)))

    def stored(self, file: str, channel: str) -> Waveform:
        """A channel of a stored waveform; the path begins at the recipe's folder.

        Raises
        ------
        NotMeasurable : files cannot be read here.
        FileFault, Misuse : the file cannot be used.
        """
        if (file, channel) not in self._stored:
            if self._read_stored is None:
                raise NotMeasurable(f"`{file}` cannot be read here", do="run the recipe from its file")
            self._stored[file, channel] = self._read_stored(self._folder / file, channel)
        return self._stored[file, channel]
