"""Answers of a served instrument: at once where they are known, else after real silence."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from wavewright.simulation.scpi.exchange import Exchange

# How far ahead, in simulated time, a pending trigger is looked for; one that comes later needs another message first.
HORIZON = 10.0


class Answering:
    """Sends what an exchange has to say.

    Parameters
    ----------
    send : hands over everything that lies in the exchange's output queue.
    """

    def __init__(self, exchange: Exchange, send: Callable[[], None]) -> None:
        self._exchange = exchange
        self._send = send
        self._later: asyncio.TimerHandle | None = None

    def answer(self) -> None:
        """Send what is there; let simulated time go by to what is known to come; hold back what a fault delays."""
        self._send()
        while self._exchange.foresee(HORIZON):
            self._send()
        seconds = self._exchange.comes_after
        if seconds is not None and self._later is None:
            self._later = asyncio.get_running_loop().call_later(seconds, self._release)

    def go_on(self) -> None:
        """Something on the bench has changed: see whether what was pending can be answered now."""
        self._exchange.work()
        self.answer()

    def cancel(self) -> None:
        """The client has gone; what it had asked is dropped."""
        if self._later:
            self._later.cancel()
        self._exchange.clear()

    def _release(self) -> None:
        self._later = None
        self._exchange.device.instrument.clock.advance(self._exchange.comes_after or 0.0)
        self.go_on()
