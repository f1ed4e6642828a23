"""The stored waveforms that a source plays: each read once, before anything is sent."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

from wavewright.errors import FileFault, Misuse, NotMeasurable, WavewrightError
from wavewright.instruments.source import period_extremes
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stimulus import SourceStep, StoredFile
from wavewright.waveform import Waveform

ReadStored = Callable[[Path, str], Waveform]
Periods = Mapping[tuple[str, str], Waveform]  # by the file's name as the recipe has it, and the channel

NOTHING_STORED: Periods = MappingProxyType({})
FIRST = "1"  # the channel where the recipe names none
LARGEST_FILE = 256 * 1024 * 1024  # bytes; no source holds as many points as such a file does
LONGEST = 1e3  # s; the lowest frequency that a recipe can name is 1 mHz


def read_periods(measurements: Iterable[Measurement], read_stored: ReadStored | None) -> Periods:
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


def period_of(step: SourceStep, periods: Periods) -> Waveform | None:
    """The waveform that a step of the source plays; None where it plays none.

    Raises
    ------
    NotMeasurable : it was not read.
    """
    if step.waveform is None:
        return None
    if _key(step) not in periods:
        raise NotMeasurable(f"`{step.waveform}` was not read", do="run the recipe from its file")
    return periods[_key(step)]


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
        raise FileFault("there is no such file", expected="a stored waveform", do=f"the path begins at `{path.parent}`")
    if not path.is_file():
        raise FileFault("this is no file", expected="a stored waveform")
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
