"""The way into a logbook that was found plain: it is opened once the run has ended and its outputs are off.

What reads and writes outcomes takes longer to load than a whole run needs before its first message. A logbook that
needs a closer look before a run, since there is something to refuse, forward or lay out, is opened by `Delivery` then.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.instruments.bench_file import BenchFile
from wavewright.logbook.code_store import CodeStore
from wavewright.logbook.logbook_file import LogbookFile, is_url, logbook_file
from wavewright.logbook.shared_store import VARIABLE
from wavewright.logbook.spool_folder import is_empty, spool_beside
from wavewright.recipe.recipe import Recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run_options import RunOptions

if TYPE_CHECKING:
    from wavewright.logbook.delivery import Delivery
    from wavewright.logbook.line_notes import LineNote


def plain_logbook(recipe: Recipe, options: RunOptions, *, out: Path | None) -> LogbookFile | None:
    """The logbook of a run, if nothing about it, the unit or what waits has to be known before; else None.

    Parameters
    ----------
    out : folder of the evidence, which has the spool beside it; None for the user's.
    """
    if options.batch or recipe.golden is not None or options.captures or os.environ.get(VARIABLE):
        return None
    if is_url(options.logbook):
        return None
    file = logbook_file(options.logbook)
    if not all(is_empty(spool) for spool in {spool_beside(out), spool_beside(None)}):
        return None
    return file if file.is_plain(serial=options.serial) else None


class LateDelivery:
    """As `Delivery`, for a logbook that `plain_logbook` has found."""

    def __init__(self, logbook: str | Path, file: LogbookFile, *, out: Path | None, say: Callable[[str], None]) -> None:
        self._logbook, self._out, self._say = logbook, out, say
        self._delivery: Delivery | None = None
        self.codes = CodeStore(file.captures)

    def opened(self) -> Delivery:
        """The logbook, opened; should it have gone away since the run began, outcomes wait for it."""
        if self._delivery is None:
            from wavewright.logbook.delivery import Delivery

            self._delivery = Delivery(self._logbook, out=self._out, may_be_away=True, say=self._say)
        return self._delivery

    def deliver(
        self,
        outcome: Outcome,
        collected: Outcome,
        *,
        station: str,
        batch: str,
        notes: Callable[[Outcome], Sequence[LineNote]],
    ) -> Outcome:
        """As `Delivery.deliver`."""
        return self.opened().deliver(outcome, collected, station=station, batch=batch, notes=notes)

    def close(self) -> None:
        """Close the logbook, if it was opened."""
        if self._delivery is not None:
            self._delivery.close()


@dataclass(frozen=True, slots=True)
class FirstRunAdmission:
    """As `UnitAdmission`, for a unit of which a plain logbook knows nothing."""

    delivery: LateDelivery
    recipe: Recipe
    options: RunOptions
    bench: BenchFile
    marks: Mapping[str, Any] = field(default_factory=dict)

    @property
    def batch(self) -> str:
        """That the run is entered under."""
        return self.options.batch

    def notes(self, outcome: Outcome) -> list[LineNote]:
        """As `UnitAdmission.notes`."""
        from wavewright.logbook.unit_admission import UnitAdmission, place_of_run

        place = place_of_run(self.recipe, self.bench, self.options)
        records = self.delivery.opened().records
        return UnitAdmission(records, self.recipe, place, self.batch, self.options.operator).notes(outcome)
