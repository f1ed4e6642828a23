"""The runs as the database has them now, asked for once for all who want to know at the same time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool

from wavewright.errors import StorageFault
from wavewright.logbook.columns.followed_logbook import FollowedLogbook, FollowedRuns

ENOUGH = 2.0  # s: what was asked for less long ago is new enough
PATIENCE = 8.0  # s that a page waits for the database


class NewestRuns:
    """What a followed logbook has; to be used in one event loop.

    Parameters
    ----------
    clock : s, from any beginning.
    """

    def __init__(self, followed: FollowedLogbook, clock: Callable[[], float]) -> None:
        self._followed, self._clock = followed, clock
        self._asking: asyncio.Task[FollowedRuns] | None = None
        self._known: FollowedRuns | None = None
        self._asked = 0.0

    async def now(self) -> FollowedRuns:
        """The runs, at most `ENOUGH` old.

        Raises
        ------
        StorageFault : the database cannot be read, or does not answer.
        """
        if self._known is not None and self._clock() - self._asked < ENOUGH:
            return self._known
        if self._asking is None or self._asking.done():
            self._asking = asyncio.ensure_future(self._ask())
        try:
            return await asyncio.wait_for(asyncio.shield(self._asking), PATIENCE)
        except TimeoutError as fault:
            raise StorageFault(
                f"the logbook has not answered for {PATIENCE:g} s", do="wait, or see whether its server runs"
            ) from fault

    async def _ask(self) -> FollowedRuns:
        asked = self._clock()
        found = await run_in_threadpool(self._followed.now)
        self._known, self._asked = found, asked
        return found
