"""HDF5 files of ours: raw codes as they came, with scale, time axis and origin beside them. Nothing is lost.

Layout, version 1:

| where | what |
|---|---|
| file attributes | `layout` = `wavewright capture`, `layout_version` = 1, `trigger_time` (s), `triggered` |
| | `identity`, `taken` (ISO 8601, UTC) |
| group `settings` | an attribute for each setting that the instrument read back |
| group `waveforms/0`, `waveforms/1`, … | one per channel, in order; attribute `channel` is the name in the capture |
| in each: dataset `codes` | shape (n,), the converter's own type of number |
| in each: attributes | `gain`, `offset`, `interval` (s), `start` (s), `unit`, `name` |
| | `code_range`: two numbers; absent where not known |

`write_waveform` and `read_waveform_group` serve any open group, so that other files can hold waveforms the same way.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import FileFormat, enter_format
from wavewright.logbook.formats.hdf5_entries import enter_attributes, enter_dataset
from wavewright.logbook.formats.hdf5_trial import check_comes_back
from wavewright.logbook.formats.size_limits import check_unpacked, size_of_array
from wavewright.logbook.formats.time_axis import agreed_interval
from wavewright.waveform import Capture, Waveform

LAYOUT = "wavewright capture"
LAYOUT_VERSION = 1
# what h5py raises, and what follows, where a file is damaged
DAMAGE = (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, MemoryError, IndexError)
_NUMBERS = ("gain", "offset", "interval", "start")
_WORDS = ("unit", "name")


def write_waveform(group: Any, wave: Waveform, *, compression: str | None = None) -> None:
    """Put one waveform into an open, empty h5py group.

    Parameters
    ----------
    compression : an HDF5 filter such as `gzip`; None keeps the codes in one piece, which reads fastest.
    """
    _write_codes(group, wave, compression)
    _describe(group, wave)


def read_waveform_group(group: Any, *, first: int = 0, last: int | None = None) -> Waveform:
    """The waveform in an open h5py group; only the samples `first` up to, and without, `last` are read.

    Raises
    ------
    FileFault : the group does not have the layout; names what is missing.
    """
    lacking = [name for name in (*_NUMBERS, *_WORDS) if name not in group.attrs]
    if lacking or "codes" not in group:
        raise FileFault(
            f"group `{group.name}` has no {', '.join(f'`{name}`' for name in lacking) or 'dataset `codes`'}",
            where=str(group.file.filename),
            expected=f"dataset `codes`, attributes {', '.join((*_NUMBERS, *_WORDS))}",
        )
    codes = own_dataset(group, "codes")
    begin, end, _ = slice(first, last).indices(codes.shape[0])
    code_range = group.attrs.get("code_range")
    interval, start = float(group.attrs["interval"]), float(group.attrs["start"])
    try:
        return Waveform(
            codes[begin:end],
            gain=float(group.attrs["gain"]),
            offset=float(group.attrs["offset"]),
            interval=interval,
            start=start + begin * interval,
            unit=str(group.attrs["unit"]),
            name=str(group.attrs["name"]),
            code_range=None if code_range is None else (code_range[0].item(), code_range[1].item()),
        )
    except Misuse as fault:
        raise FileFault(fault.what, where=str(group.file.filename), expected=fault.expected) from fault


def own_dataset(group: Any, name: str) -> Any:
    """A dataset whose samples lie in this very file, one-dimensional, of numbers, and not too large to be read.

    HDF5 can point at any file of the user: by external storage, by links to other files, by virtual datasets. A file
    from elsewhere shall bring its own samples only.

    Raises
    ------
    FileFault : it points elsewhere, is not a row of numbers, or is too large.
    """
    import h5py

    where = f"{group.file.filename}, {group.name}/{name}"
    if not isinstance(group.get(name, getlink=True), h5py.HardLink):
        raise FileFault("a link to another place", where=where, expected="samples in this file")
    dataset = group[name]
    if not isinstance(dataset, h5py.Dataset) or dataset.ndim != 1 or dataset.dtype.kind not in "iuf":
        raise FileFault("not a row of samples", where=where, expected="a one-dimensional dataset of numbers")
    if dataset.external or dataset.is_virtual:
        raise FileFault("samples in another file", where=where, expected="samples in this file")
    check_unpacked(size_of_array(dataset.shape, dataset.dtype.itemsize), where)
    return dataset


def write_capture(file: Any, capture: Capture, *, compression: str | None = None) -> None:
    """Put a whole capture into an open, empty h5py file or group."""
    write_codes(file, capture, compression=compression)
    describe_capture(file, capture)


def write_codes(file: Any, capture: Capture, *, within: str = "", compression: str | None = None) -> list[Any]:
    """The part of `write_capture` that takes the codes: a dataset for each channel.

    Returns their handles of the low level, `h5py.h5d.DatasetID`.

    Parameters
    ----------
    within : name of a group in `file`, with `/` at its end, that is created for them; creating all groups of a dataset
        in one call takes two thirds of the time.
    """
    return [
        _write_codes(file, wave, compression, name=f"{within}waveforms/{number}/codes")
        for number, wave in enumerate(capture.waveforms.values())
    ]


def describe_capture(file: Any, capture: Capture) -> None:
    """The rest of `write_capture`, where the codes are in the file: scale, time axis, settings and origin."""
    origin = {
        "layout": LAYOUT,
        "layout_version": LAYOUT_VERSION,
        "trigger_time": float(capture.trigger_time),
        "triggered": bool(capture.triggered),
        "identity": capture.identity,
        "taken": capture.taken.isoformat(),
    }
    enter_attributes(file, origin)
    enter_attributes(file.create_group("settings"), capture.settings)
    waveforms = file.require_group("waveforms")
    for number, (channel, wave) in enumerate(capture.waveforms.items()):
        group = waveforms[str(number)]
        enter_attributes(group, {"channel": channel})
        _describe(group, wave)


def read_capture(file: Any) -> Capture:
    """The capture in an open h5py file or group.

    Raises
    ------
    FileFault : not our layout, or a later version of it.
    """
    name = str(file.file.filename)
    if file.attrs.get("layout") != LAYOUT or "waveforms" not in file:
        raise FileFault(
            "an HDF5 file, but not a capture of ours",
            where=name,
            expected=f"the attribute `layout` = `{LAYOUT}` and a group `waveforms`",
            do="export it as CSV or NPZ there, and read that",
        )
    if int(file.attrs.get("layout_version", 0)) > LAYOUT_VERSION:
        raise FileFault(
            f"layout version {file.attrs['layout_version']}",
            where=name,
            expected=f"at most {LAYOUT_VERSION}",
            do="install the version of Wavewright that wrote it, or a later one",
        )
    waveforms = _own_group(file, "waveforms")
    groups = [_own_group(waveforms, key) for key in sorted(waveforms, key=int)]
    return Capture(
        waveforms={str(group.attrs["channel"]): read_waveform_group(group) for group in groups},
        trigger_time=float(file.attrs["trigger_time"]),
        triggered=bool(file.attrs["triggered"]),
        settings={key: _plain(value) for key, value in _own_group(file, "settings").attrs.items()},
        identity=str(file.attrs["identity"]),
        taken=datetime.fromisoformat(str(file.attrs["taken"])),
    )


def _write_codes(group: Any, wave: Waveform, compression: str | None, *, name: str = "codes") -> Any:
    if not (compression and len(wave)):
        return enter_dataset(group, name, wave.codes)
    return group.create_dataset(name, data=wave.codes, compression=compression, shuffle=wave.codes.itemsize > 1).id


def _describe(group: Any, wave: Waveform) -> None:
    numbers = {name: float(getattr(wave, name)) for name in _NUMBERS}
    enter_attributes(group, {**numbers, **{name: getattr(wave, name) for name in _WORDS}})
    if wave.code_range is not None:
        group.attrs["code_range"] = np.asarray(wave.code_range)


def _own_group(parent: Any, name: str) -> Any:
    """A group of this very file.

    Raises
    ------
    FileFault : it is a link to another place, or no group.
    """
    import h5py

    if not isinstance(parent.get(name, getlink=True), h5py.HardLink) or not isinstance(parent[name], h5py.Group):
        where = f"{parent.file.filename}, {parent.name}"
        raise FileFault(f"`{name}` is not a group of this file", where=where, expected="a group, not a link")
    return parent[name]


def _plain(value: Any) -> float | str | bool:
    """Numpy scalars as Python's own."""
    plain: float | str | bool = value.item() if isinstance(value, np.generic) else value
    return plain


def read_hdf5(path: Path, interval: float | None) -> dict[str, Waveform]:
    """Waveforms of a capture by channel name.

    Raises
    ------
    FileFault : not HDF5, broken, or not our layout.
    """
    import h5py

    with path.open("rb"):
        pass  # a missing file is reported by the system, not as a broken one
    check_comes_back(path)
    try:
        with h5py.File(path, "r") as file:
            waves = dict(read_capture(file).waveforms)
    except DAMAGE as fault:
        raise FileFault(
            f"damaged, or not an HDF5 file: {fault}",
            where=str(path),
            expected="an HDF5 file that was closed after writing",
        ) from fault
    for wave in waves.values():
        agreed_interval(wave.interval, interval, file=str(path))
    return waves


def write_hdf5(path: Path, capture: Capture) -> None:
    """A whole capture, codes uncompressed."""
    import h5py

    with h5py.File(path, "w") as file:
        write_capture(file, capture)


enter_format(
    FileFormat(
        name="hdf5",
        suffixes=(".h5", ".hdf5"),
        about="our own layout; everything is kept",
        read=read_hdf5,
        write=write_hdf5,
    )
)
