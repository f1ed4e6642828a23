"""The catalogue of waveform files: which suffix is read and written by which format."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from wavewright.durable_files import whole_file
from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.logbook.formats.size_limits import check_regular
from wavewright.nearest import did_you_mean, unknown
from wavewright.registry import Registry
from wavewright.waveform import Capture, Waveform, check_waveforms_by_name

Reader = Callable[[Path, float | None], dict[str, Waveform]]
Writer = Callable[[Path, Capture], None]


@dataclass(frozen=True, slots=True)
class FileFormat:
    """One kind of file.

    Parameters
    ----------
    name : for lists and messages.
    suffixes : in small letters with the point; the first is the usual one.
    about : one line: what is kept and what is lost.
    read : from a path, and the interval in s for files that do not state it, to waveforms in the file's order.
    write : the waveforms of a capture to a path.
    """

    name: str
    suffixes: tuple[str, ...]
    about: str
    read: Reader
    write: Writer


FORMATS: Registry[FileFormat] = Registry(
    "file format of", package="wavewright.logbook.formats", group="wavewright.file_formats"
)
"""By suffix: none is ever taken over in silence."""


def enter_format(entry: FileFormat) -> FileFormat:
    """Enter a format into the catalogue under each of its suffixes; none is ever taken over in silence."""
    if taken := [suffix for suffix in entry.suffixes if suffix in FORMATS.entered]:
        raise Misuse(f"suffix `{taken[0]}` already belongs to the format `{FORMATS.entered[taken[0]].name}`")
    for suffix in entry.suffixes:
        FORMATS.enter(suffix, entry, made_in=entry.read.__module__)
    return entry


def file_formats() -> Mapping[str, FileFormat]:
    """Every format by suffix: the modules of this package, then what other packages bring."""
    return FORMATS.everything()


def read_waveforms(path: str | os.PathLike[str], *, interval: float | None = None) -> dict[str, Waveform]:
    """Every waveform of a file by name, in the file's order.

    Parameters
    ----------
    path : the suffix says the format.
    interval : s, for files without a time axis; one that contradicts the file is refused.

    Raises
    ------
    FileFault : the file cannot be read, or is not what its suffix says; names the line or byte.
    Misuse : an unknown suffix, an interval that is missing or contradicts the file.
    """
    place = Path(path)
    if interval is not None and not 0 < interval < float("inf"):
        raise Misuse(f"`interval` is `{interval}`", expected="seconds from one sample to the next, above 0")
    entry = _format_of(place)
    try:
        check_regular(place)
        return entry.read(place, interval)
    except OSError as fault:
        raise FileFault(
            f"cannot be read: {fault.strerror or fault}", where=str(path), do="check the name and the permissions"
        ) from fault


def read_waveform(path: str | os.PathLike[str], *, channel: int | str = 1, interval: float | None = None) -> Waveform:
    """One waveform of a file: by its name, or by its number counted from 1.

    Parameters
    ----------
    path : the suffix says the format.
    channel : number or name; a time column does not count.
    interval : s, for files without a time axis; one that contradicts the file is refused.

    Raises
    ------
    FileFault : the file cannot be read, or is not what its suffix says; names the line or byte.
    Misuse : no such channel, an unknown suffix, an interval that is missing or contradicts the file.
    """
    return _of_channel(read_waveforms(path, interval=interval), channel, path)


def _of_channel(waves: Mapping[str, Waveform], channel: int | str, path: str | os.PathLike[str]) -> Waveform:
    if isinstance(channel, str) and channel in waves:
        return waves[channel]
    if isinstance(channel, int) and not isinstance(channel, bool) and 1 <= channel <= len(waves):
        return list(waves.values())[channel - 1]
    raise Misuse(
        f"{path}: no channel `{channel}`",
        expected=f"1 .. {len(waves)}, or one of {', '.join(f'`{name}`' for name in waves)}",
        do=did_you_mean(channel, waves),
    )


def read_stored(path: Path, channel: str) -> Waveform:
    """One waveform of a file by the word that a recipe has for it: a name, or a number where no channel is named so.

    Raises
    ------
    FileFault, Misuse : as `read_waveform`.
    """
    waves = read_waveforms(path)
    is_number = channel not in waves and channel.isdecimal()
    return _of_channel(waves, int(channel) if is_number else channel, path)


def write_waveforms(path: str | os.PathLike[str], capture: Capture | Mapping[str, Waveform]) -> None:
    """Write the waveforms of a capture; the file is there whole, or as it was before.

    Parameters
    ----------
    path : the suffix says the format; a file of that name is replaced.
    capture : or waveforms by name alone, which are written as a capture that was not taken by an instrument.

    Raises
    ------
    Misuse : an unknown suffix, or waveforms that the format cannot hold; says which can. Something else than waveforms.
    StorageFault : the disk does not take the file.
    """
    place = Path(path)
    entry = _format_of(place)
    if not isinstance(capture, Capture):
        check_waveforms_by_name(capture)
    whole = capture if isinstance(capture, Capture) else Capture(capture)
    if not whole.waveforms:
        raise Misuse(f"{path}: nothing to write", expected="a capture with at least one waveform")
    try:
        with whole_file(place) as temporary:
            entry.write(temporary, whole)
    except OSError as fault:
        raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=str(path)) from fault


def _format_of(path: Path) -> FileFormat:
    suffix = path.suffix.lower()
    if suffix in (table := file_formats()):
        return table[suffix]
    raise unknown(f"{path}: no waveform file has the suffix `{suffix}`", suffix, table)
