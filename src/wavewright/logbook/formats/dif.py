"""Files in SCPI's Data Interchange Format: what an instrument sends with `FORMat:DINTerchange ON`, kept as it came."""

from __future__ import annotations

from pathlib import Path

from wavewright.errors import BadAnswer, FileFault
from wavewright.instruments.dif import read_dif, waveforms_of, write_dif
from wavewright.logbook.formats.catalogue import FileFormat, enter_format
from wavewright.logbook.formats.time_axis import agreed_interval
from wavewright.waveform import Capture, Waveform


def read_dif_file(path: Path, interval: float | None) -> dict[str, Waveform]:
    """Waveforms by the names, else the labels, of the explicit dimensions.

    Raises
    ------
    FileFault : not a DIF expression, cut short, or it contradicts itself; says at which byte.
    """
    content = path.read_bytes()
    try:
        waves = waveforms_of(read_dif(content))
    except BadAnswer as fault:
        where = f"{path}, {fault.where}" if str(fault.where) else str(path)
        raise FileFault(fault.what, where=where, expected=fault.expected, do=fault.do) from fault
    for wave in waves.values():
        agreed_interval(wave.interval, interval, file=str(path))
    return waves


def write_dif_file(path: Path, capture: Capture) -> None:
    """The waveforms of a capture, which must be on one time axis; trigger and settings are lost."""
    path.write_bytes(write_dif(capture.waveforms, taken=capture.taken))


enter_format(
    FileFormat(
        name="dif",
        suffixes=(".dif",),
        about="SCPI Data Interchange Format; codes and scale exact",
        read=read_dif_file,
        write=write_dif_file,
    )
)
