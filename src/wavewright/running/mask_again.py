"""The mask test once more, with every shot as it would be at the ends of what is stated of its input."""

from __future__ import annotations

from wavewright.analysis.reading import Reading
from wavewright.analysis.statistics.masks import Mask, MaskTest
from wavewright.analysis.uncertainty.recounting import Corner, corners_of, recounted
from wavewright.errors import NotMeasurable
from wavewright.running.shot import ExaminedShot


class MaskAgain:
    """A mask test for each combination of errors, over all shots of a measurement.

    Parameters
    ----------
    channel : that is held against the mask, captured or derived.
    """

    def __init__(self, mask: Mask, channel: str) -> None:
        self._mask, self._channel = mask, channel
        self._tests: dict[tuple[str, int], tuple[Corner, MaskTest]] = {}
        self._lost: set[tuple[str, int]] = set()
        self._is_stated = True

    def add(self, number: int, shot: ExaminedShot) -> None:
        """Hold one more shot against the mask."""
        inputs = shot.changed.inputs((self._channel,))
        self._is_stated &= inputs is not None
        if inputs is None or not self._is_stated:
            return
        further = shot.changed.further((self._channel,))
        for place, corner in enumerate(corners_of(inputs, further=further)):
            key = (corner.name, place)
            _, test = self._tests.setdefault(key, (corner, MaskTest(self._mask)))
            try:
                (survey,) = shot.changed.surveys(corner.change, (self._channel,))
            except NotMeasurable:
                self._lost.add(key)
                continue
            test.add(number, survey.wave)

    def counted(self, reading: Reading) -> Reading:
        """The number of violations with its budget; without one where nothing is stated of the input of a shot."""
        if not self._is_stated:
            return reading
        return recounted(
            reading,
            [(corner, None if key in self._lost else float(test.count)) for key, (corner, test) in self._tests.items()],
        )
