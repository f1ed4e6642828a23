"""Waveforms out of files and of earlier measurements: what the source plays, and what shots are compared with."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from wavewright.errors import FileFault, Misuse, NotMeasurable, WavewrightError
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.recipe.stimulus import SourceStep, StoredFile
from wavewright.waveform import Waveform

if TYPE_CHECKING:
    from wavewright.running.shot import ExaminedShot

ReadStored = Callable[[Path, str], Waveform]
PlayedWaveforms = Mapping[tuple[str, str], Waveform]  # by the file's name as the recipe has it, and the channel
NOTHING_STORED: PlayedWaveforms = MappingProxyType({})
FIRST = "1"  # the channel where the recipe names none
LARGEST_FILE = 256 * 1024 * 1024  # bytes; no source holds as many points as such a file does
LONGEST = 1e3  # s; the lowest frequency that a recipe can name is 1 mHz


def read_played(measurements: Iterable[Measurement], read_stored: ReadStored | None) -> PlayedWaveforms:
    """Every stored waveform that the source is to play in these measurements.

    Parameters
    ----------
    read_stored : reads one channel of a file; without it, none can be played.

    Raises
    ------
    FileFault : all that cannot be played, each at its place in the recipe.
    """
    found: dict[tuple[str, str], Waveform] = {}
    faults: dict[tuple[str, str], FileFault] = {}
    for step in _playing(measurements):
        file, key = step.waveform, _key(step)
        if file is None or key in found or key in faults:
            continue
        try:
            found[key] = _read(file, key[1], read_stored, has_frequency=step.frequency is not None)
        except WavewrightError as fault:
            faults[key] = _at_its_place(file, fault)
    if faults:
        raise FileFault.joined(list(faults.values()))
    return found


def played_by(step: SourceStep, played: PlayedWaveforms) -> Waveform | None:
    """The waveform that a step of the source plays; None where it plays none.

    Raises
    ------
    NotMeasurable : it was not read.
    """
    if step.waveform is None:
        return None
    if _key(step) not in played:
        raise NotMeasurable(f"`{step.waveform}` was not read", do="run the recipe from its file")
    return played[_key(step)]


class ReferenceWaveforms:
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
        self._held: dict[str, list[tuple[Mapping[str, str], ExaminedShot]]] = {}
        self._stored: dict[tuple[str, str], Waveform] = {}

    def offer(self, measurement: Measurement, shot: ExaminedShot) -> None:
        """Hold this shot, if the measurement is referred to; the first one under each condition is held."""
        if measurement.name not in self._wanted:
            return
        held = self._held.setdefault(measurement.name, [])
        if all(condition != measurement.condition for condition, _ in held):
            held.append((measurement.condition, shot))

    def measured(self, name: str, condition: Mapping[str, str]) -> ExaminedShot:
        """The first shot of an earlier measurement: under the same condition, if there is one, or under its first.

        Raises
        ------
        NotMeasurable : that measurement brought nothing.
        """
        held = self._held.get(name)
        if not held:
            raise NotMeasurable(f"`{name}`, the reference, has no shot")
        return next((shot for under, shot in held if under == condition), held[0][1])

    def load(self, measurements: Iterable[Measurement]) -> None:
        """Read every file that is referred to now, so that a fault in one is reported before anything is measured.

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


def _key(step: SourceStep) -> tuple[str, str]:
    return str(step.waveform), step.channel or FIRST


def _playing(measurements: Iterable[Measurement]) -> Iterator[SourceStep]:
    for measurement in measurements:
        for step in measurement.stimulus:
            if step.source is not None and step.source.waveform is not None:
                yield step.source


def _read(file: StoredFile, channel: str, read_stored: ReadStored | None, *, has_frequency: bool) -> Waveform:
    """A period that a source can play.

    Raises
    ------
    WavewrightError : what is wrong with it.
    """
    from wavewright.instruments.source import period_extremes  # loads the whole wire: for such a file alone

    _check_file(file)
    if read_stored is None:
        raise Misuse("waveforms cannot be read here", do="run the recipe from its file")
    period = read_stored(file.path, channel)
    period_extremes(period)
    if period.unit != "V":
        raise Misuse(f"`{period.name}` is in {period.unit}", expected="volts")
    if not has_frequency and period.duration > LONGEST:
        what = f"one period of {period.duration:g} s is too long"
        raise Misuse(what, expected=f"at most {LONGEST:g} s", do="name a `frequency`, or take a shorter part")
    return period


def _check_file(file: StoredFile) -> None:
    path = file.path
    if not path.exists():
        raise FileFault(
            "there is no such file", expected="a stored waveform", do=f"the path is relative to `{path.parent}`"
        )
    if not path.is_file():
        raise FileFault("this is not a file", expected="a stored waveform")
    if (size := path.stat().st_size) > LARGEST_FILE:
        what = f"{size // 1024**2} MiB are too large for a period of a signal"
        raise FileFault(what, expected=f"at most {LARGEST_FILE // 1024**2} MiB", do="take one period out of it")


def _at_its_place(file: StoredFile, fault: WavewrightError) -> FileFault:
    """What is wrong with a stored waveform, at the place where the recipe names it."""
    inside = f"{fault.where}: " if str(fault.where) else ""
    return FileFault(
        f"`{file}` cannot be played: {inside}{fault.what}",
        where=file.place or "",
        expected=fault.expected,
        do=fault.do,
    )
