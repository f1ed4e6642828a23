"""The connection of a link: one wire at a time, opened anew when a stream must be got back into step."""

from __future__ import annotations

from collections.abc import Callable

from wavewright.errors import LinkLost, NoAnswer
from wavewright.instruments.deadlines import Deadline
from wavewright.instruments.dialogue import Dialogue
from wavewright.instruments.visa_faults import foreign
from wavewright.instruments.wires import Wire

Connect = Callable[[float], Wire]


class Connection:
    """The wire to one instrument.

    Parameters
    ----------
    connect : opens a wire within this many s.
    resource : the address, for the record.
    """

    def __init__(self, connect: Connect, dialogue: Dialogue, *, resource: str) -> None:
        self._connect, self._dialogue, self._resource = connect, dialogue, resource
        self._is_closed = False
        self._wire: Wire | None = None

    def open(self, timeout: float) -> None:
        """The first wire, within `timeout`, s."""
        self._wire = self._dialogue.listens_to(self._connect(timeout))
        self._dialogue.event(f"opened {self._resource}")

    @property
    def is_open(self) -> bool:
        """Whether there is a wire."""
        return self._wire is not None

    @property
    def wire(self) -> Wire:
        """The one that is open.

        Raises
        ------
        LinkLost : none is.
        """
        if self._wire is None:
            raise LinkLost("the link is closed" if self._is_closed else "the connection is gone")
        return self._wire

    def open_anew(self, deadline: Deadline) -> None:
        """A new wire: the only cure where an answer may still be on its way.

        Raises
        ------
        LinkLost : the link was closed on purpose, or nobody is there.
        """
        if self._is_closed:
            raise LinkLost("the link is closed")
        if self._wire is not None:
            self._wire.close()
            self._wire = None
        self._wire = self._dialogue.listens_to(self._connect(deadline.left()))
        self._dialogue.event(f"opened {self._resource} again")

    def clear_device(self, deadline: Deadline) -> bool:
        """Whether the wire has a device clear, and it went through in half of the time; else it is opened anew."""
        if self._wire is None or not self._wire.has_end_marks:
            return False
        faults: tuple[type[BaseException], ...] = (NoAnswer, *foreign())
        try:
            return self._wire.clear(Deadline(deadline.left() / 2))
        except faults as fault:
            self._dialogue.event(f"device clear failed: {fault}")
            return False

    def close(self) -> None:
        """Let go of it, for good; never raises."""
        self._is_closed = True
        if self._wire is not None:
            self._wire.close()
            self._wire = None
            self._dialogue.event("closed")
