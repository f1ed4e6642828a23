"""The query for what was said on the bus that each file of a pile has recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from wavewright.archive.answer import ItemAnswer
from wavewright.archive.pile import stamp_of
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.bus_setup import BusSetup
from wavewright.buses.catalogue import vocabulary
from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_field
from wavewright.buses.line.silence import why_silent
from wavewright.buses.search.search import Search
from wavewright.logbook.formats.catalogue import read_waveform

FAIL = 1
BEFORE: Mapping[str, type] = {"file": str, "bus": str, "frame": int, "start": float, "end": float, "kind": str}
AFTER: Mapping[str, type] = {"errors": str, "reason": str, "fault": str}


@dataclass(frozen=True, slots=True)
class DecodedFiles:
    """The frames of stored records; an item is the whole path of a file.

    Parameters
    ----------
    bus, then : names of the bus and of the layer above it, if there is one.
    lines : which channel of a file, by number from 1 or name, is which channel of the bus.
    options : of bus and layer, as they were written.
    find : only frames that match this search.
    base : how the table writes data.
    interval : s, for files that do not state it.
    """

    bus: str
    lines: tuple[tuple[str, int | str], ...]
    options: tuple[tuple[str, str], ...] = ()
    then: str = ""
    find: str = ""
    base: Literal["hex", "decimal", "binary", "text"] = "hex"
    interval: float | None = None

    @property
    def columns(self) -> Mapping[str, type]:
        """One row per frame, with the fields that frames of this bus can have."""
        return {**BEFORE, **dict.fromkeys(map(_column, self.fields), str), **AFTER}

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the fields; `fields` for all, where the bus does not state them."""
        says = vocabulary(self.bus, self.then)
        return ("fields",) if says is None else tuple(says.fields)

    def words(self) -> Mapping[str, Any]:
        """All that was asked for."""
        return {"asked": "decode", **asdict(self)}

    def check(self) -> None:
        """See whether what is asked makes sense; each of the files is a matter of its own.

        Raises
        ------
        Misuse : an unknown bus, layer, channel, option or word of the search.
        """
        options = dict(self.options)
        levels = options.pop("levels", None)
        BusSetup.read(self.bus, dict(self.lines), self.then or None, levels, **options)
        says = vocabulary(self.bus, self.then)
        if self.find and says is not None:
            Search.read(self.find).check(says)

    def stamp(self, item: str) -> str:
        """Size and time of the file."""
        return stamp_of(item)

    def record(self, item: str) -> BusRecord:
        """The lines of one file, not decoded yet."""
        options: dict[str, Any] = dict(self.options)
        channels = {line: read_waveform(item, channel=channel, interval=self.interval) for line, channel in self.lines}
        return BusRecord(channels, self.bus, then=self.then or None, **options)

    def answer(self, item: str) -> ItemAnswer:
        """The frames of one file."""
        stamp = stamp_of(item)
        record = self.record(item)
        frames, count = record.frames, len(record.frames)
        reason = "" if count else why_silent(record)
        if self.find:
            frames = frames.take(Search.read(self.find).where(frames))
            reason = reason or ("" if len(frames) else f"none of {count} frames matches the search")
        names, has_fields = self.fields, vocabulary(self.bus, self.then) is not None
        rows = tuple(
            {"file": item, "bus": self.bus, "frame": number, "start": frame.start, "end": frame.end,
             "kind": frame.kind, **self._fields(frame, names if has_fields else ()), "errors": ", ".join(frame.errors)}
            for number, frame in enumerate(frames, 1)
        )  # fmt: skip
        plain = {"file": item, "frames": [frame.as_json() for frame in frames], "reason": reason}
        return ItemAnswer(
            item,
            rows=rows or ({"file": item, "bus": self.bus, "reason": reason},),
            document=plain,
            status=FAIL if any(frame.errors for frame in frames) else 0,
            stamp=stamp,
        )

    def _fields(self, frame: Frame, names: tuple[str, ...]) -> dict[str, str]:
        """The cells for what a frame says."""
        shown = {name: show_field(name, value, self.base) for name, value in frame.fields.items()}
        if not names:
            return {"fields": "; ".join(f"{name} {text}" for name, text in shown.items())}
        return {_column(name): shown[name] for name in names if name in shown}

    def close(self) -> None:
        """Nothing is open."""


def _column(name: str) -> str:
    """The column for a field: its name, unless another column has it."""
    return f"{name}_said" if name in BEFORE or name in AFTER else name
