"""Answers of a served instrument: at once where they are known, else after real silence, or after its latency."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from wavewright.simulation.scpi.disturbance import LinkDropped
from wavewright.simulation.scpi.exchange import Exchange

# How far ahead, in simulated time, a pending trigger is looked for; one that comes later needs another message first.
HORIZON = 10.0


class Answering:
    """Sends what an exchange has to say.

    Parameters
    ----------
    send : hands over the oldest answer in the exchange's output queue, whole.
    drop : breaks the connection, since a fault has done so while an answer was held back.
    latency : s, for each answer, one after the other, from the moment at which the instrument has it. It is real time;
        simulated time stands still meanwhile, so that the readings are the same with any latency.
    """

    def __init__(
        self, exchange: Exchange, send: Callable[[], None], drop: Callable[[], None], *, latency: float = 0.0
    ) -> None:
        self._exchange = exchange
        self._send = send
        self._drop = drop
        self._latency = latency
        self._later: asyncio.TimerHandle | None = None  # a fault holds an answer back
        self._on_its_way: asyncio.TimerHandle | None = None

    def answer(self) -> None:
        """Send what is there; let simulated time go by to what is known to come; hold back what a fault delays."""
        self._hand_over()
        while self._exchange.foresee(HORIZON):
            self._hand_over()
        seconds = self._exchange.comes_after
        if seconds is not None and seconds > 0 and self._later is None:
            self._later = asyncio.get_running_loop().call_later(seconds, self._release)

    def go_on(self) -> None:
        """Something on the bench has changed: see whether what was pending can be answered now."""
        self._exchange.work()
        self.answer()

    def withdraw(self) -> None:
        """What was held back has been dropped: the next answer takes its own time."""
        for timer in (self._later, self._on_its_way):
            if timer is not None:
                timer.cancel()
        self._later = self._on_its_way = None

    def cancel(self) -> None:
        """The client has gone, or wants a device clear; what it had asked is dropped."""
        self.withdraw()
        self._exchange.clear()

    def _hand_over(self) -> None:
        """Send all answers that are there, or let the oldest be on its way if it takes time."""
        if not self._latency:
            while self._exchange.has_answer:
                self._send()
        elif self._on_its_way is None and self._exchange.has_answer:
            self._on_its_way = asyncio.get_running_loop().call_later(self._latency, self._arrive)

    def _arrive(self) -> None:
        self._on_its_way = None
        try:
            if self._exchange.has_answer:
                self._send()
            self.answer()
        except LinkDropped:
            self._drop()

    def _release(self) -> None:
        self._later = None
        self._exchange.device.instrument.clock.advance(self._exchange.comes_after or 0.0)
        try:
            self.go_on()
        except LinkDropped:
            self._drop()
