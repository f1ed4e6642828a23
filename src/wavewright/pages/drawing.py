"""The picture on every open page: the newest shot in the part that each page shows, drawn in a thread of its own.

Who takes shots hands each one over and goes on; what has not been drawn when the next one comes is not drawn, and so no
page is shown an old picture, and no instrument waits for a page.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.pages.audience import Audience
from wavewright.pages.protocol import ShotMessage, ShownTrace
from wavewright.pages.view_picture import REFERENCE, View, view_picture, whole_view
from wavewright.reporting.marks import Mark
from wavewright.waveform import Waveform

log = logging.getLogger(__name__)
PAUSE = 0.015  # s after a picture; a screen shows 60 a second, and the instruments are to have the processor too


@dataclass(frozen=True, slots=True, eq=False)
class DrawnRecord:
    """A shot to be shown: its channels and those derived from them, from the top.

    `number` counts from 1 since the last change, `of` is how many there have been; `marks` makes what is marked in it,
    by channel, when it is drawn; `revision` of the recipe that it was measured by.
    """

    measurement: str
    number: int
    of: int
    waves: Mapping[str, Waveform]
    simulated: bool
    trigger_time: float = 0.0
    marks: Callable[[], Mapping[str, Sequence[Mark]]] = dict
    reference: Mapping[str, Waveform] = field(default_factory=dict)
    revision: int = 0


class Drawing:
    """The thread that draws.

    Parameters
    ----------
    audience : whose pages are drawn.
    """

    def __init__(self, audience: Audience) -> None:
        self._audience = audience
        self._changed = threading.Condition()
        self._record: DrawnRecord | None = None
        self._is_due, self._has_ended = False, False
        self._thread = threading.Thread(target=self._work, name="drawing", daemon=True)

    def __enter__(self) -> Drawing:
        self._thread.start()
        return self

    def __exit__(self, *fault: object) -> None:
        with self._changed:
            self._has_ended = True
            self._changed.notify()
        self._thread.join()

    def show(self, record: DrawnRecord | None) -> None:
        """Draw a record from now on; None for none."""
        with self._changed:
            self._record, self._is_due = record, record is not None
            self._changed.notify()

    def redraw(self) -> None:
        """Draw the same once more: a page has come, or shows another part."""
        with self._changed:
            self._is_due = self._record is not None
            self._changed.notify()

    def _work(self) -> None:
        leave_to_main_thread()
        marked: tuple[DrawnRecord, Mapping[str, Sequence[Mark]]] | None = None
        while True:
            with self._changed:
                while not (self._is_due or self._has_ended):
                    self._changed.wait()
                if self._has_ended:
                    return
                record, self._is_due = self._record, False
            if record is None or not self._audience.count:
                continue
            try:
                if marked is None or marked[0] is not record:
                    marked = (record, record.marks())
                self._draw(*marked)
            except Exception:  # a defect of ours: the next shot may be drawn, and pages are not to stand still
                log.exception("a shot of `%s` could not be drawn", record.measurement)
            time.sleep(PAUSE)

    def _draw(self, record: DrawnRecord, marks: Mapping[str, Sequence[Mark]]) -> None:
        made: dict[View, tuple[ShotMessage, bytes]] = {}
        for page, chosen, columns in self._audience.views():
            view = chosen or whole_view(record.waves, columns)
            if view not in made:
                made[view] = _picture(record, marks, view)
            self._audience.publish(*made[view], to=page)


def _picture(record: DrawnRecord, marks: Mapping[str, Sequence[Mark]], view: View) -> tuple[ShotMessage, bytes]:
    """The message about a view of a record, and its samples."""
    picture = view_picture(
        record.waves,
        view,
        title=f"{record.measurement}, shot {record.number}",
        trigger_time=record.trigger_time,
        marks=marks,
        kept=record.reference,
    )
    traces = tuple(
        ShownTrace(one.name, one.unit, one.name.endswith(f", {REFERENCE}"), one.is_whole, int(one.values.size))
        for one in picture.traces()
    )
    document: dict[str, Any] = picture.as_document(has_samples=False)
    message = ShotMessage(
        simulated=record.simulated,
        measurement=record.measurement,
        number=record.number,
        of=record.of,
        columns=view.columns,
        start=view.start,
        span=view.span,
        traces=traces,
        picture=document,
        revision=record.revision,
    )
    return message, picture.samples()
