"""The query for readings of each file of a pile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from wavewright.analysis.measure import check_count, measure, options_of_each
from wavewright.archive.answer import ItemAnswer
from wavewright.archive.pile import stamp_of
from wavewright.judgement.judge import judge
from wavewright.judgement.shown import stated_uncertainty
from wavewright.logbook.formats.catalogue import read_waveform

INCONCLUSIVE = 2
COLUMNS: Mapping[str, type] = {
    "file": str, "metric": str, "value": float, "unit": str, "uncertainty": float, "count": int, "minimum": float,
    "maximum": float, "doubts": str, "reason": str, "limit": str, "verdict": str, "fault": str,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class MeasuredFiles:
    """Readings of stored waveforms; an item is the whole path of a file.

    Parameters
    ----------
    metrics : their names; options : theirs, as they were written.
    channels : numbers, from 1, or names; interval : s, for files that do not state it.
    limit : judges the one reading, by this rule; none if empty.
    """

    metrics: tuple[str, ...]
    channels: tuple[int | str, ...] = (1,)
    options: tuple[tuple[str, str], ...] = ()
    interval: float | None = None
    limit: str = ""
    rule: str = "simple"

    @property
    def columns(self) -> Mapping[str, type]:
        """One row per file and metric."""
        return COLUMNS

    def words(self) -> Mapping[str, Any]:
        """All that was asked for."""
        return {"asked": "measure", **asdict(self)}

    def check(self) -> None:
        """See whether what is asked makes sense; each of the files is a matter of its own.

        Raises
        ------
        Misuse : an unknown metric, an option that none has or that cannot be read, or the wrong number of channels.
        """
        for metric, chosen in options_of_each(self.metrics, dict(self.options)):
            metric.options(chosen)
            check_count(metric, len(self.channels))

    def stamp(self, item: str) -> str:
        """Size and time of the file."""
        return stamp_of(item)

    def answer(self, item: str) -> ItemAnswer:
        """The readings of one file."""
        stamp = stamp_of(item)
        waves = [read_waveform(item, channel=channel, interval=self.interval) for channel in self.channels]
        options: dict[str, Any] = dict(self.options)
        found = measure(waves, list(self.metrics), **options)
        judged = judge(found[self.metrics[0]], self.limit, rule=self.rule) if self.limit else None
        verdict = None if judged is None else judged.verdict
        rows = tuple(
            {"file": item, "metric": name, "value": one.value, "unit": one.unit, "uncertainty": one.uncertainty,
             "count": one.count, "minimum": one.minimum, "maximum": one.maximum,
             "doubts": " ".join(map(str, one.doubts)), "reason": one.reason, "limit": self.limit,
             "verdict": None if verdict is None else str(verdict), "fault": ""}
            for name, one in found.items()
        )  # fmt: skip
        plain = {
            name: {**one.as_json(), **stated_uncertainty(one)} | (judged.as_json() if judged is not None else {})
            for name, one in found.items()
        }
        is_open = any(one.value is None for one in found.values())
        status = verdict.exit_status if verdict is not None else INCONCLUSIVE if is_open else 0
        return ItemAnswer(item, rows=rows, document={"file": item, "readings": plain}, status=status, stamp=stamp)

    def close(self) -> None:
        """Nothing is open."""
