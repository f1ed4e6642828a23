"""The picture on every open page: the newest shot in the part that each page shows, drawn in a thread of its own.

Who takes shots hands each one over and goes on; what has not been drawn when the next one comes is not drawn, and so no
page is shown an old picture, and no instrument waits for a page.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.pages.audience import Audience, OpenPage
from wavewright.pages.protocol import ShotMessage, ShownTrace
from wavewright.pages.view_columns import View, view_columns, whole_view
from wavewright.waveform import Waveform


@dataclass(frozen=True, slots=True, eq=False)
class DrawnRecord:
    """A shot to be shown: its channels and those derived from them, from the top.

    `number` counts from 1 since the last change, `of` is how many there have been; `describe` makes what else is in the
    picture, once, when it is first drawn.
    """

    measurement: str
    number: int
    of: int
    waves: Mapping[str, Waveform]
    simulated: bool
    describe: Callable[[], Mapping[str, Any]] = dict
    reference: Mapping[str, Waveform] = field(default_factory=dict)


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
        self._described: Mapping[str, Any] | None = None
        self._is_due, self._has_ended = False, False
        self.drawn = 0  # pictures so far, over all pages
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
            self._record, self._described, self._is_due = record, None, record is not None
            self._changed.notify()

    def redraw(self) -> None:
        """Draw the same once more: a page has come, or shows another part."""
        with self._changed:
            self._is_due = self._record is not None
            self._changed.notify()

    def _work(self) -> None:
        leave_to_main_thread()
        while True:
            with self._changed:
                while not (self._is_due or self._has_ended):
                    self._changed.wait()
                if self._has_ended:
                    return
                record, self._is_due = self._record, False
            if record is not None:
                self._draw(record)

    def _draw(self, record: DrawnRecord) -> None:
        if self._described is None:
            self._described = record.describe()
        views = [
            (page, view or whole_view([*record.waves.values()], columns))
            for page, view, columns in self._audience.views()
        ]
        made: dict[View, tuple[ShotMessage, bytes]] = {}
        for page, view in views:
            if view not in made:
                made[view] = _picture(record, view, self._described)
            self._publish(page, *made[view])

    def _publish(self, page: OpenPage, message: ShotMessage, columns: bytes) -> None:
        self._audience.publish(message, columns, to=page)
        self.drawn += 1


def _picture(record: DrawnRecord, view: View, described: Mapping[str, Any]) -> tuple[ShotMessage, bytes]:
    """The message about a view of a record, and its columns."""
    traces: list[ShownTrace] = []
    parts: list[bytes] = []
    for waves, is_reference in ((record.waves, False), (record.reference, True)):
        for name, wave in waves.items():
            columns = view_columns(wave, view)
            traces.append(ShownTrace(name, wave.unit, is_reference, columns.middle is not None))
            parts.append(columns.as_bytes())
    message = ShotMessage(
        simulated=record.simulated,
        measurement=record.measurement,
        number=record.number,
        of=record.of,
        columns=view.columns,
        start=view.start,
        span=view.span,
        traces=tuple(traces),
        picture=described,
    )
    return message, b"".join(parts)
