"""Workers of a Dask cluster: on this computer, or of a scheduler that the user runs.

A cluster of our own listens on the loopback interface only, and to those who have its certificate, which is made for it
and never written to the disk. It runs nothing but our answers: no preload of the user's configuration.
"""

from __future__ import annotations

import asyncio
import logging
import queue
import re
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import CancelledError
from concurrent.futures import Future as Awaited
from contextlib import contextmanager, suppress
from importlib.metadata import version
from typing import TYPE_CHECKING

from wavewright.archive.answer import FAULTY, ItemAnswer, WrittenAnswer
from wavewright.archive.query import Query
from wavewright.archive.versions import unlike, versions
from wavewright.archive.workers import AHEAD, WORTH, Found, Portions, timed_answers
from wavewright.errors import Misuse, StorageFault, WavewrightError
from wavewright.running.crew import core_count

if TYPE_CHECKING:
    from distributed import Client, Future

    from wavewright.archive.own_workers import OwnWorkers

FORMS = "`local`, `local:N` with the number of workers, or the address of a scheduler, `tcp://server:8786`"
CONNECTING = 10.0  # s until a scheduler that does not answer is taken for absent
WITHOUT_WORKERS = 60.0  # s that work may wait with no worker there
WITHOUT_OWN = 300.0  # so too with workers of ours, which start by themselves, on a busy computer slowly
ASKED = 0.5  # s after which it is looked whether the cluster is still there
CLOSING, HURRIED = 30.0, 1.0  # s for the workers of ours to end, at the end and after a fault
HANDED = 0.02  # s of work in a portion for each worker there is: a scheduler takes 3 to 5 ms to hand a portion over
LOST = 20  # portions in a row that may be lost on their way to us
_ADDRESS = re.compile(r"(tcp|tls)://\S+:\d+/?")
_LOCAL = re.compile(r"local(?::([1-9]\d*))?")
_CONFIGURATION = {
    # else a file in the user's home decides what runs in our workers
    **{f"distributed.{part}.preload": [] for part in ("worker", "nanny", "scheduler")},
    # and what is served there to browsers tells others what is computed
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.comm.timeouts.connect": CONNECTING,
    # how long one of ours may take to start again until Dask closes it, and we start another
    "distributed.deploy.lost-worker-timeout": "60 s",
    # what looks at a worker while it computes, 100 times a second and for nobody
    "distributed.worker.profile.enabled": False,
    "distributed.scheduler.active-memory-manager.start": False,
    # what looks 50 times a second whether an event loop is late, and 1000 times who holds the lock of Python
    "distributed.admin.tick.interval": "500 ms",
    "distributed.admin.system-monitor.interval": "10 s",
    "distributed.admin.system-monitor.gil.enabled": False,
    # one thread each, and no word to the allocator: to give every 64 kB back at once costs a third of the time
    "distributed.nanny.pre-spawn-environ": {f"{name}_NUM_THREADS": 1 for name in ("OMP", "MKL", "OPENBLAS")},
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
}


class Cluster:
    """Workers of a Dask cluster.

    Parameters
    ----------
    name : `local`, `local:4` or the address of a scheduler.

    Raises
    ------
    Misuse : it is none of these, or Dask is not installed.
    """

    def __init__(self, name: str) -> None:
        local = _LOCAL.fullmatch(name)
        if local is None and not _ADDRESS.fullmatch(name):
            raise Misuse(f"`--cluster {name}`", expected=FORMS)
        try:
            import distributed  # noqa: F401
        except ImportError as fault:
            raise Misuse(
                f"`--cluster {name}`: Dask is not installed", do="pip install 'wavewright[cluster]'"
            ) from fault
        self._name = name
        self._count = None if local is None else int(local[1] or core_count())

    @contextmanager
    def answers(self, query: Query, items: Iterator[str]) -> Iterator[Iterator[WrittenAnswer]]:
        """The answers as `Workers` says; a worker that is gone is replaced by another, and its items with it.

        An item that several workers did not survive has that as its fault.

        Raises
        ------
        WavewrightError : the scheduler is gone, or all workers are; a worker has another version; none can reach what
            the query needs.
        """
        with self._joined() as (client, own):
            if self._count is None:
                _check_workers(client, self._name)
            _check_reach(client, query)
            work = _Work(client, query, items, self._name, own)
            try:
                yield work.answers()
            finally:
                work.drop()

    @contextmanager
    def _joined(self) -> Iterator[tuple[Client, OwnWorkers | None]]:
        """A client of the cluster, for the block, and the workers if they are ours; these end with it."""
        import dask
        from distributed import Client

        from wavewright.archive.own_workers import LeavesSignals, OwnWorkers

        logging.getLogger("distributed").setLevel(logging.CRITICAL + 1)  # what goes wrong is said in our words
        with dask.config.set(_CONFIGURATION):
            own = None
            try:
                if self._count is not None:
                    own = OwnWorkers(self._count)
                address = self._name.rstrip("/") if own is None else own.cluster
                client = Client(address, timeout=CONNECTING, set_as_default=False)
            except ImportError as fault:
                if own is not None:
                    own.close(HURRIED)
                raise Misuse(f"`--cluster {self._name}`: {fault}", do="pip install 'wavewright[cluster]'") from fault
            except (OSError, TimeoutError, ValueError, RuntimeError) as fault:
                if own is not None:
                    own.close(HURRIED)
                raise WavewrightError(
                    f"no scheduler answers: {' '.join(str(fault).split())}", where=self._name,
                    do="start one with `dask scheduler`, and workers with `dask worker ADDRESS`; check the address",
                ) from fault  # fmt: skip
            patience = HURRIED
            try:
                if own is not None:
                    client.register_plugin(LeavesSignals())
                yield client, own
                patience = CLOSING
            finally:
                with suppress(Exception):  # of whatever is left of a cluster that may be gone
                    client.close(timeout=HURRIED)
                if own is not None:
                    own.close(patience)


class _Work:
    """Portions of items on their way through a scheduler."""

    def __init__(
        self, client: Client, query: Query, items: Iterator[str], name: str, own: OwnWorkers | None = None
    ) -> None:
        self._client, self._query, self._name, self._own = client, query, name, own
        self._portions = Portions(items)
        self._came: queue.SimpleQueue[Awaited[Found]] = queue.SimpleQueue()
        self._under_way: dict[Awaited[Found], tuple[Future, list[str]]] = {}
        self._looked, self._idle, self._lost = time.monotonic(), 0.0, 0

    def answers(self) -> Iterator[WrittenAnswer]:
        """The answers as they come."""
        while self._hand_over():
            if time.monotonic() - self._looked >= ASKED:
                self._look_after()
            try:
                awaited = self._came.get(timeout=ASKED)
            except queue.Empty:
                continue
            yield from self._outcome(awaited)

    def drop(self) -> None:
        """Tell the scheduler that nobody waits any more for what is under way."""
        if self._under_way and self._own is None and self._client.status == "running":
            with suppress(Exception):
                self._client.cancel([future for future, _ in self._under_way.values()], force=True)

    def _hand_over(self) -> bool:
        """Hand over as much as keeps the workers busy; False if nothing is left to do."""
        count = max(1, self._worker_count())
        self._portions.worth = max(WORTH, HANDED * count)
        while len(self._under_way) < AHEAD * count and (some := self._portions.take()):
            self._submit(some)
        return bool(self._under_way)

    def _submit(self, items: list[str]) -> None:
        future = self._client.submit(checked_answers, self._query, items, dict(versions()), pure=False)
        # fetched as soon as it is there, however often a worker that has it ends before: then it is computed again
        awaited = asyncio.run_coroutine_threadsafe(_fetched(future), self._client.loop.asyncio_loop)
        self._under_way[awaited] = future, items
        awaited.add_done_callback(self._came.put)

    def _outcome(self, awaited: Awaited[Found]) -> Iterator[WrittenAnswer]:
        from distributed.scheduler import KilledWorker

        future, items = self._under_way.pop(awaited)
        try:
            found, seconds = awaited.result()
        except CancelledError as fault:
            raise self._gone() from fault
        except KilledWorker:
            if len(items) > 1:  # one of them may be the cause: each goes alone
                for item in items:
                    self._submit([item])
                return
            self._is_answered()
            why = f"{items[0]}: every worker that began it was killed or ran out of memory"
            yield ItemAnswer(items[0], fault=why, status=FAULTY).written()
        except WavewrightError:
            raise
        except Exception as fault:
            if future.status == "cancelled":
                raise self._gone() from fault
            if future.status != "error" and isinstance(fault, OSError) and self._lost < LOST:  # on its way to us
                self._look_after()
                self._submit(items)
                self._lost += 1
                return
            raise WavewrightError(
                f"a worker cannot answer: {type(fault).__name__}: {fault}", where=self._name,
                do="see that every worker has the same `wavewright[cluster]` as this computer",
            ) from fault  # fmt: skip
        else:
            self._is_answered()
            self._portions.learn(len(found), seconds)
            yield from found

    def _is_answered(self) -> None:
        self._lost = 0
        if self._own is not None:
            self._own.answered()

    def _worker_count(self) -> int:
        return len(self._client.scheduler_info(n_workers=-1)["workers"])

    def _look_after(self) -> None:
        """Is anybody there who could answer?"""
        if self._client.status != "running":
            raise self._gone()
        if self._own is not None:
            self._own.see_to()
        self._looked = time.monotonic()
        self._idle = 0.0 if self._worker_count() else self._idle + ASKED
        patience = WITHOUT_WORKERS if self._own is None else WITHOUT_OWN
        if self._idle > patience:
            raise WavewrightError(
                f"no worker has been there for {patience:.0f} s", where=self._name,
                do="start workers with `dask worker ADDRESS`, and repeat; what is answered is not asked again if kept"
                if self._own is None else "see what ends them, and repeat; what is answered is not asked again if kept",
            )  # fmt: skip

    def _gone(self) -> WavewrightError:
        return WavewrightError(
            "the scheduler is gone", where=self._name,
            do="start it and its workers again, and repeat; what is answered is not asked again if it is kept",
        )  # fmt: skip


async def _fetched(future: Future) -> Found:
    """What a worker has found; waits for it."""
    found: Found = await future
    return found


def checked_answers(query: Query, items: list[str], wanted: Mapping[str, str]) -> Found:
    """In a worker: the answers about some items, if it is of the same version as who asks; a worker may join at any
    time.

    Raises
    ------
    WavewrightError : it is not.
    """
    if wanted != versions():
        raise WavewrightError(
            f"a worker has other versions: {_unlike(wanted)}",
            do="install the same on every worker, and start them again",
        )
    return timed_answers(query, items)


def _unlike(wanted: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {have} and not {wanted.get(name)}" for name, have in versions().items()
                     if have != wanted.get(name))  # fmt: skip


def _check_workers(client: Client, name: str) -> None:
    """See that there are workers, and that each computes what this process would."""
    try:
        client.wait_for_workers(1, timeout=CONNECTING)
    except TimeoutError as fault:
        raise WavewrightError(
            "the scheduler has no workers", where=name, do=f"start some with `dask worker {name}`"
        ) from fault
    # in the words of Python's own library: a worker need not have this package
    for worker, found in client.run(version, "wavewright", on_error="return").items():
        if isinstance(found, BaseException):
            raise WavewrightError(
                "wavewright is not installed on a worker", where=worker,
                do=f"pip install 'wavewright[cluster]=={versions()['wavewright']}' there",
            ) from found  # fmt: skip
    for worker, theirs in client.run(versions, on_error="return").items():
        why = str(theirs) if isinstance(theirs, BaseException) else unlike(theirs)
        if why:
            raise WavewrightError(
                f"a worker has other versions than this computer: {why}", where=worker,
                expected="the same versions, so that the answers are the same to the last bit",
                do="install the same on every worker, and start them again",
            )  # fmt: skip


def _check_reach(client: Client, query: Query) -> None:
    """See that every worker reaches what the query needs."""
    for worker, found in client.run(_reach, query, on_error="return").items():
        if isinstance(found, BaseException):
            raise StorageFault(
                f"a worker does not reach what it needs: {found}", where=worker,
                do="give every worker a logbook and captures that it reaches: a server's URL, and `--captures`",
            ) from found  # fmt: skip


def _reach(query: Query) -> None:
    query.check()
