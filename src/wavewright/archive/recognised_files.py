"""The query for what is on each channel of each file of a pile, and which of them are unlike the others."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from wavewright.archive.answer import ItemAnswer
from wavewright.archive.pile import stamp_of
from wavewright.errors import NotMeasurable
from wavewright.logbook.formats.catalogue import read_waveforms
from wavewright.recognition.line_groups import find_groups, with_groups
from wavewright.recognition.line_kind import LineSeen, recognise
from wavewright.recognition.recognised import TWO_STATES, Kind, Recognised, SerialLine, Together, serial_json
from wavewright.recognition.sentences import sentence, together_words
from wavewright.recognition.unlike import unlike
from wavewright.waveform import Waveform

FIGURES = ("level", "low", "high", "frequency", "duty_factor", "ripple", "ripple_frequency", "pulse")
COLUMNS: Mapping[str, type] = {
    "file": str, "channel": str, "kind": str, "what": str, "unit": str, **dict.fromkeys(FIGURES, float), "bus": str,
    "options": str, "then": str, "inverted": bool, "frames": int, "said": str, "together": str, "doubts": str,
    "unlike": str, "fault": str,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RecognisedFiles:
    """What each channel of stored records is; an item is the whole path of a file.

    Parameters
    ----------
    interval : s, for files that do not state it.
    """

    interval: float | None = None

    @property
    def columns(self) -> Mapping[str, type]:
        """One row per channel of each file; levels are in `unit`, the other figures in SI units."""
        return COLUMNS

    def words(self) -> Mapping[str, Any]:
        """All that was asked for."""
        return {"asked": "look", "interval": self.interval}

    def check(self) -> None:
        """Nothing but the files is needed."""

    def stamp(self, item: str) -> str:
        """Size and time of the file."""
        return stamp_of(item)

    def answer(self, item: str) -> ItemAnswer:
        """What is on each channel of one file, and which of them belong together."""
        stamp = stamp_of(item)
        found, together = recognised(read_waveforms(item, interval=self.interval))
        groups = {name: group for group in reversed(together) for name in group.lines.values()}
        rows = tuple(_row(item, name, one, groups.get(name)) for name, one in found.items())
        plain = [_json(item, name, one, groups.get(name)) for name, one in found.items()]
        return ItemAnswer(item, rows=rows, document=plain, stamp=stamp)

    def close(self) -> None:
        """Nothing is open."""


def recognised(waves: Mapping[str, Waveform]) -> tuple[dict[str, Recognised], list[Together]]:
    """What each channel is, and which are lines of one bus."""
    singles: dict[str, Recognised] = {}
    for name, wave in waves.items():
        try:
            singles[name] = recognise(LineSeen([wave]))
        except NotMeasurable as fault:
            singles[name] = Recognised(Kind.UNKNOWN, unit=wave.unit, doubts=(fault.what,))
    moving = {name: wave for name, wave in waves.items() if singles[name].kind in TWO_STATES}
    together = list(find_groups(moving, singles)) if len(moving) > 1 else []
    return with_groups(singles, together), together


class MarkedAnswers:
    """Answers of `RecognisedFiles` in which is said what makes a record unlike the others.

    Parameters
    ----------
    answers : all of the pile; they are gone through twice.
    """

    def __init__(self, answers: Iterable[ItemAnswer]) -> None:
        self._answers = answers
        by_channel: dict[str, list[Recognised]] = defaultdict(list)
        for answer in answers:
            for row in answer.rows:
                by_channel[row["channel"]].append(_of_row(row))
        self._remarks = {name: unlike(pile) for name, pile in by_channel.items()}

    def __iter__(self) -> Iterator[ItemAnswer]:
        remarks = {name: iter(each) for name, each in self._remarks.items()}
        for answer in self._answers:
            told = [next(remarks[row["channel"]]) for row in answer.rows]
            rows = tuple({**row, "unlike": remark} for row, remark in zip(answer.rows, told, strict=True))
            plain = [
                {**one, "unlike": remark} if remark else one
                for one, remark in zip(answer.document or (), told, strict=True)
            ]
            yield replace(answer, rows=rows, document=plain)


def _row(item: str, name: str, one: Recognised, group: Together | None) -> dict[str, Any]:
    row = {"file": item, "channel": name, "kind": one.kind.value, "what": sentence(one), "unit": one.unit}
    figures = {figure: getattr(one, figure) for figure in FIGURES}
    serial = one.serial
    if serial is not None:
        options = json.dumps(dict(serial.options), ensure_ascii=False)
        figures |= {"bus": serial.bus, "options": options, "then": serial.then, "inverted": serial.is_inverted,
                    "frames": serial.frames, "said": "; ".join(serial.said)}  # fmt: skip
    together = "" if group is None else together_words(group, {})
    return {**row, **figures, "together": together, "doubts": "; ".join(one.doubts)}


def _of_row(row: Mapping[str, Any]) -> Recognised:
    """As much of what was recognised as a comparison with others needs."""
    serial = SerialLine(row["bus"]) if row.get("bus") else None
    return Recognised(Kind(row["kind"]), **{name: row[name] for name in FIGURES}, serial=serial, unit=row["unit"])


def _json(item: str, name: str, one: Recognised, group: Together | None) -> dict[str, Any]:
    plain = {"file": item, "channel": name, **one.as_json()}
    if group is not None:
        plain["together"] = {**serial_json(group.serial), "lines": dict(group.lines)}
    return plain
