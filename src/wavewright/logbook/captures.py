"""The captures of a run in one HDF5 file, written shot by shot and read back one at a time.

The layout, which any HDF5 reader can follow:

    /                            attribute `wavewright_captures` = 1
    /<measurement>/shot_00000    a group for each shot, laid out like a capture file of its own (`formats/hdf5.py`)

A measurement that ran for several values of a parameter has a group for each, named `coil_drive[duty=40 %]`. Codes are
neither compressed nor chunked: a reader can map them into memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, overload

from wavewright.errors import StorageFault
from wavewright.logbook.disk_file import DiskFile
from wavewright.logbook.formats.hdf5 import DAMAGE, describe_capture, read_capture, write_codes
from wavewright.logbook.group_names import group_name, plain_name
from wavewright.waveform import Capture

if TYPE_CHECKING:
    import h5py

LAYOUT = 1
_ROOM = "make room on the disk, or name another folder with --out"


class CaptureFile:
    """An HDF5 file that takes captures as they come; nothing of them stays in memory.

    It is there, and can be written, from the beginning; it is HDF5 from `lay_out` on.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._counts: dict[str, int] = {}
        self._groups: dict[str, h5py.Group] = {}
        self._undescribed: tuple[h5py.Group, str]  # where the codes lie that were kept last
        with _storage(path):
            self._disk = DiskFile(path)
        self._file: h5py.File | None = None

    def lay_out(self) -> h5py.File:
        """Begin the file, unless that is done; the library for it is loaded now, if it was not before.

        Whoever has not called it has it called by the first capture.
        """
        if self._file is None:
            try:
                import h5py
            except Exception as fault:  # whatever other people's code raises while it is loaded
                raise StorageFault(
                    f"captures cannot be written: {type(fault).__name__}: {fault}",
                    where=str(self.path),
                    do="install wavewright again, with the packages that it depends on",
                ) from fault
            with _storage(self.path):
                self._file = h5py.File(self._disk, "w", track_order=True)
                self._file.attrs["wavewright_captures"] = LAYOUT
        return self._file

    def keep(self, measurement: str, capture: Capture) -> dict[str, int]:
        """Write one capture after the others of its measurement: `keep_codes`, then `describe`."""
        places = self.keep_codes(measurement, capture)
        self.describe(capture)
        return places

    def keep_codes(self, measurement: str, capture: Capture) -> dict[str, int]:
        """Hand the codes of one capture to the operating system; returns where each channel's begin, bytes.

        They lie there in one piece and are never moved: whoever knows the place reads them, whatever became of the
        rest of the file. -1 for a channel without samples. A fifth of the time of `keep`; `describe` follows.

        Raises
        ------
        StorageFault : the disk does not take it.
        """
        file, shot = self.lay_out(), self._counts.get(measurement, 0)
        with _storage(self.path):
            if measurement not in self._groups:
                self._groups[measurement] = file.create_group(group_name(measurement))
            self._undescribed = self._groups[measurement], f"shot_{shot:05}"
            datasets = write_codes(self._groups[measurement], capture, within=f"shot_{shot:05}/")
            for dataset in datasets:
                dataset.flush()
            self._disk.check()
            places = [dataset.get_offset() for dataset in datasets]
        self._counts[measurement] = shot + 1
        return {
            name: -1 if place is None else int(place) for name, place in zip(capture.waveforms, places, strict=True)
        }

    def describe(self, capture: Capture) -> None:
        """Write what the capture is but for its codes, which were kept last; StorageFault as `keep_codes`."""
        file = self.lay_out()
        with _storage(self.path):
            group, name = self._undescribed
            describe_capture(group.require_group(name), capture)
            file.flush()
            self._disk.check()

    @property
    def handle(self) -> int:
        """Of the open file, as the operating system numbers it."""
        return self._disk.handle

    def abandon(self) -> None:
        """Close the file without caring for what is in it: it is about to be deleted."""
        if self._file is None:
            self._disk.close()
            return
        with suppress(StorageFault):
            self.close()

    def close(self) -> None:
        """Close the file; what is on disk afterwards is complete.

        Raises
        ------
        StorageFault : the disk does not take the rest of it.
        """
        file = self.lay_out()
        with _storage(self.path):
            file.close()
            self._disk.close()
            self._disk.check()


class KeptCaptures(Mapping[str, Sequence[Capture]]):
    """The captures of a file, by measurement; each is read when it is asked for. Holds the path only, so it pickles."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __getitem__(self, measurement: str) -> Sequence[Capture]:
        with _opened(self.path) as file:
            group = group_name(measurement)
            count = len(file[group]) if group in file else None
        if count is None:
            raise KeyError(measurement)
        return _Shots(self.path, measurement, count)

    def __iter__(self) -> Iterator[str]:
        with _opened(self.path) as file:
            names = [plain_name(name) for name in file]
        return iter(names)

    def __len__(self) -> int:
        with _opened(self.path) as file:
            return len(file)

    def __repr__(self) -> str:
        return f"KeptCaptures({str(self.path)!r})"


class _Shots(Sequence[Capture]):
    """The shots of one measurement, each read when it is asked for."""

    def __init__(self, path: Path, measurement: str, count: int) -> None:
        self._path, self._measurement, self._count = path, measurement, count

    def apart(self) -> Sequence[Capture]:
        """The same, for another process."""
        return self

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> Capture: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Capture]: ...
    def __getitem__(self, index: int | slice) -> Capture | Sequence[Capture]:
        numbers = range(self._count)[index]
        if isinstance(numbers, range):
            return [self[number] for number in numbers]
        with _opened(self._path) as file:
            return read_capture(file[group_name(self._measurement)][f"shot_{numbers:05}"])


@contextmanager
def _storage(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, RuntimeError) as fault:  # HDF5 has all three for what it cannot do
        raise StorageFault(f"the captures cannot be written: {fault}", where=str(path), do=_ROOM) from fault


@contextmanager
def _opened(path: Path) -> Iterator[h5py.File]:
    import h5py

    try:
        with h5py.File(path, "r") as file:
            yield file
    except DAMAGE as fault:
        raise StorageFault(f"the captures cannot be read: {fault}", where=str(path)) from fault
