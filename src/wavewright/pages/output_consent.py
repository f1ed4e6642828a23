"""The consent of the person at the page to what a recipe does with outputs, and what ends it.

It is for certain steps, word for word, and for as long as the page that gave it answers. Whatever ends it, the outputs
go off, and only another consent lets them go on again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.pages.audience import Audience
from wavewright.pages.conversation import Wishes
from wavewright.running.shot_stopping import ShotStopper

PATIENCE = 5.0  # s that the page with the hand may be silent while an output may be on; it says something every 2 s
TICK = 0.1  # s
GRACE = 0.25  # s that a shot may go on when a page asks for something


class OutputConsent:
    """What the outputs may be switched to."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._steps: tuple[str, ...] = ()
        self._why = ""

    def give(self, steps: tuple[str, ...]) -> None:
        """From now on the outputs may be switched as these steps say."""
        with self._lock:
            self._steps, self._why = steps, ""

    def withdraw(self, why: str) -> bool:
        """From now on they may not; whether they might before."""
        with self._lock:
            had = bool(self._steps)
            self._steps = ()
            if had:
                self._why = why
            return had

    def covers(self, steps: tuple[str, ...]) -> bool:
        """Whether the consent is for exactly these steps."""
        with self._lock:
            return bool(steps) and steps == self._steps

    @property
    def is_given(self) -> bool:
        """Whether there is one."""
        with self._lock:
            return bool(self._steps)

    @property
    def why_withdrawn(self) -> str:
        """What ended the last one."""
        with self._lock:
            return self._why


class Guard:
    """Ends the consent when the page falls silent, and shots that others wait for; in a thread of its own.

    Parameters
    ----------
    elapsed : s, of a clock that cannot jump.
    """

    def __init__(
        self,
        consent: OutputConsent,
        audience: Audience,
        wishes: Wishes,
        stopper: ShotStopper,
        *,
        elapsed: Callable[[], float] = time.monotonic,
    ) -> None:
        self._consent, self._audience, self._wishes, self._stopper = consent, audience, wishes, stopper
        self._elapsed = elapsed
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._work, name="guard", daemon=True)

    def __enter__(self) -> Guard:
        self._thread.start()
        return self

    def __exit__(self, *fault: object) -> None:
        self._end.set()
        self._thread.join()

    @property
    def is_on(self) -> bool:
        """Whether it still guards; a watch goes on only as long as it does."""
        return self._thread.is_alive()

    def hand_left(self, why: str) -> None:
        """At once: nobody is there any more who answers for the outputs."""
        if self._consent.withdraw(why):
            self._stopper.ask(urgently=True)

    def _work(self) -> None:
        leave_to_main_thread()
        waiting_since: float | None = None
        while not self._end.wait(TICK):
            if self._consent.is_given and self._audience.silence_of_hand() > PATIENCE:
                self.hand_left(f"the page has not answered for {PATIENCE:g} s")
            if self._wishes.empty():
                waiting_since = None
                continue
            waiting_since = self._elapsed() if waiting_since is None else waiting_since
            if self._elapsed() - waiting_since > GRACE and self._stopper.is_busy:
                self._stopper.ask()
