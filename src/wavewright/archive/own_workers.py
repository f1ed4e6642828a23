"""Workers of a Dask cluster of our own on this computer, kept at their number.

Dask starts a worker again that has ended, but closes one for good that fails while it starts or is away for too long.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from multiprocessing import active_children

from distributed import LocalCluster, Status, WorkerPlugin

from wavewright.errors import WavewrightError
from wavewright.instruments.stop_signals import leave_to_parent

STARTS = 20  # of each worker in a row with no answer, until it is taken for hopeless; 12 are due to items that kill it
PATIENT = 5.0  # s to wait for the end of the workers, below which they are killed first
LOGGING = ("distributed", "tornado")
SEEN_TO = 10.0  # s for Dask to say which workers there are


class OwnWorkers:
    """A number of workers on the loopback interface, with one thread each.

    Parameters
    ----------
    count : how many.
    """

    def __init__(self, count: int) -> None:
        quieten()
        self._others = set(active_children())
        self.cluster = LocalCluster(
            n_workers=count, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, memory_limit=0,
            silence_logs=logging.CRITICAL + 1, security=True, scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
        )  # fmt: skip
        self._count = count
        self._begun: set[int] = set()
        self._known = self._processes()

    def answered(self) -> None:
        """An answer has come: whatever was started before it is good."""
        self._begun.clear()

    def see_to(self) -> None:
        """Start others in place of those that are closed.

        Raises
        ------
        WavewrightError : many were started, one after the other, and none has answered.
        """
        there = self._processes()
        self._begun |= there - self._known
        self._known |= there
        if len(self._begun) > STARTS * self._count:
            raise WavewrightError(
                f"{len(self._begun)} workers were started one after the other, and each ended before it answered",
                where="--cluster local", do="see what ends them (memory?), or repeat with `--jobs 1`",
            )  # fmt: skip

    def close(self, patience: float) -> None:
        """End the workers; those that have not ended by then, s, are killed; at once if they are not waited for."""
        if patience < PATIENT:
            self._kill(patience)
        with suppress(Exception):  # of whatever is left of a cluster that may be gone
            self.cluster.close(timeout=patience)
        self._kill(patience)

    def _kill(self, patience: float) -> None:
        """Kill the workers that are there, also those that are starting."""
        ours = [one for one in set(active_children()) - self._others if one.name.startswith("Dask Worker")]
        for one in ours:
            one.kill()
        for one in ours:
            one.join(patience)

    def _processes(self) -> set[int]:
        """The numbers of the processes that are there, or start; workers that are closed are started again."""
        with suppress(TimeoutError):  # then at the next look
            return set(self.cluster.sync(self._look, callback_timeout=SEEN_TO))
        return set()

    async def _look(self) -> set[int]:
        workers = self.cluster.workers
        for name in [name for name, one in workers.items() if one.status in (Status.closed, Status.failed)]:
            del workers[name]
        if len(workers) < self._count:
            self.cluster.scale(self._count)  # which opens those that are wanted and are not there
        return {one.pid for one in workers.values() if one.pid}


def quieten() -> None:
    """Let Dask and what it stands on log nothing: what goes wrong is said in our words.

    Several of their loggers have a level of their own, which that of the logger above them does not reach.
    """
    for name in [*LOGGING, *logging.root.manager.loggerDict]:
        if name.partition(".")[0] in LOGGING:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


class LeavesSignals(WorkerPlugin):  # type: ignore[misc]
    """Ctrl-C in a terminal goes to the workers too; who asked heeds it, and they end with it."""

    name = "leaves-signals"

    def setup(self, worker: object) -> None:
        """In each worker, also in one that is started later."""
        with suppress(ValueError):  # not in the main thread
            leave_to_parent()
