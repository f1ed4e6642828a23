"""Workers of a Dask cluster: on this computer, or of a scheduler that the user runs.

A cluster of our own listens on the loopback interface only, and to those who have its certificate, which is made for it
and never written to the disk. It runs nothing but our answers: no preload of the user's configuration.
"""

from __future__ import annotations

import logging
import os
import queue
import re
from collections.abc import Generator, Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib.metadata import version
from typing import TYPE_CHECKING

from wavewright.archive.answer import FAULTY, ItemAnswer
from wavewright.archive.query import Query
from wavewright.archive.versions import unlike, versions
from wavewright.archive.workers import AHEAD, Portions, timed_answers
from wavewright.errors import Misuse, StorageFault, WavewrightError
from wavewright.instruments.stop_signals import leave_to_parent

if TYPE_CHECKING:
    from distributed import Client, Future

FORMS = "`local`, `local:N` with the number of workers, or the address of a scheduler, `tcp://server:8786`"
CONNECTING = 10.0  # s until a scheduler that does not answer is taken for absent
WITHOUT_WORKERS = 60.0  # s that work may wait with no worker there
ASKED = 0.5  # s after which it is looked whether the cluster is still there
CLOSING, HURRIED = 30.0, 1.0  # s for the workers of ours to end, at the end and after a fault; they end with us anyway
CHECKED = 60.0  # s for a worker to say what it has
_ADDRESS = re.compile(r"(tcp|tls)://\S+:\d+/?")
_LOCAL = re.compile(r"local(?::([1-9]\d*))?")
_CONFIGURATION = {
    # else a file in the user's home decides what runs in our workers
    **{f"distributed.{part}.preload": [] for part in ("worker", "nanny", "scheduler")},
    # and what is served there to browsers tells others what is computed
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.comm.timeouts.connect": CONNECTING,
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
        self._count = None if local is None else int(local[1] or os.cpu_count() or 1)

    def answers(self, query: Query, items: Iterator[str]) -> Generator[ItemAnswer, None, None]:
        """The answers as `Workers` says; a worker that is gone is replaced by another, and its items with it.

        An item that several workers did not survive has that as its fault.

        Raises
        ------
        WavewrightError : the scheduler is gone, or all workers are; a worker has another version; none can reach what
            the query needs.
        """
        with self._joined() as client:
            if self._count is None:
                _check_workers(client, self._name)
            _check_reach(client, query)
            yield from _Work(client, query, items, self._name).answers()

    @contextmanager
    def _joined(self) -> Iterator[Client]:
        """A client of the cluster, for the block; a cluster of our own ends with it."""
        import dask
        from distributed import Client, LocalCluster

        logging.getLogger("distributed").setLevel(logging.CRITICAL + 1)  # what goes wrong is said in our words
        with dask.config.set(_CONFIGURATION):
            cluster = None
            try:
                if self._count is not None:
                    cluster = LocalCluster(
                        n_workers=self._count, threads_per_worker=1, host="127.0.0.1", dashboard_address=None,
                        memory_limit=0, silence_logs=logging.CRITICAL + 1, security=True,
                        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                    )  # fmt: skip
                client = Client(cluster or self._name.rstrip("/"), timeout=CONNECTING, set_as_default=False)
            except ImportError as fault:
                if cluster is not None:
                    cluster.close(timeout=1)
                raise Misuse(f"`--cluster {self._name}`: {fault}", do="pip install 'wavewright[cluster]'") from fault
            except (OSError, TimeoutError, ValueError, RuntimeError) as fault:
                if cluster is not None:
                    cluster.close(timeout=1)
                raise WavewrightError(
                    f"no scheduler answers: {' '.join(str(fault).split())}", where=self._name,
                    do="start one with `dask scheduler`, and workers with `dask worker ADDRESS`; check the address",
                ) from fault  # fmt: skip
            patience = HURRIED
            try:
                if cluster is not None:
                    client.run(_leave_signals_to_parent)
                yield client
                patience = CLOSING
            finally:
                with suppress(Exception):  # of whatever is left of a cluster that may be gone
                    client.close(timeout=HURRIED)
                if cluster is not None:
                    with suppress(Exception):
                        cluster.close(timeout=patience)


class _Work:
    """Portions of items on their way through a scheduler."""

    def __init__(self, client: Client, query: Query, items: Iterator[str], name: str) -> None:
        self._client, self._query, self._name = client, query, name
        self._portions = Portions(items)
        self._came: queue.SimpleQueue[Future] = queue.SimpleQueue()
        self._under_way: dict[str, tuple[Future, list[str]]] = {}
        self._idle = 0.0

    def answers(self) -> Generator[ItemAnswer, None, None]:
        try:
            while self._hand_over():
                try:
                    future = self._came.get(timeout=ASKED)
                except queue.Empty:
                    self._look_after()
                    continue
                self._idle = 0.0
                yield from self._outcome(future)
        finally:
            if self._under_way and self._client.status == "running":
                with suppress(Exception):
                    self._client.cancel([future for future, _ in self._under_way.values()], force=True)

    def _hand_over(self) -> bool:
        """Hand over as much as keeps the workers busy; False if nothing is left to do."""
        count = max(1, self._worker_count())
        while len(self._under_way) < AHEAD * count and (some := self._portions.take()):
            self._submit(some)
        return bool(self._under_way)

    def _submit(self, items: list[str]) -> None:
        future = self._client.submit(checked_answers, self._query, items, dict(versions()), pure=False)
        self._under_way[future.key] = future, items
        future.add_done_callback(self._came.put)

    def _outcome(self, future: Future) -> Iterator[ItemAnswer]:
        from distributed.scheduler import KilledWorker

        _, items = self._under_way.pop(future.key)
        if future.status == "finished":
            found, seconds = future.result(timeout=CHECKED)
            self._portions.learn(len(found), seconds)
            yield from found
            return
        if future.status in ("cancelled", "lost"):
            raise self._gone()
        fault = future.exception(timeout=CHECKED)
        if isinstance(fault, KilledWorker):
            if len(items) > 1:  # one of them may be the cause: each goes alone
                for item in items:
                    self._submit([item])
                return
            why = f"{items[0]}: every worker that began it was killed or ran out of memory"
            yield ItemAnswer(items[0], fault=why, status=FAULTY)
            return
        if isinstance(fault, WavewrightError):
            raise fault
        raise WavewrightError(
            f"a worker cannot answer: {type(fault).__name__}: {fault}", where=self._name,
            do="see that every worker has the same `wavewright[cluster]` as this computer",
        ) from fault  # fmt: skip

    def _worker_count(self) -> int:
        return len(self._client.scheduler_info(n_workers=-1)["workers"])

    def _look_after(self) -> None:
        """Nothing came for a while: is anybody there who could?"""
        if self._client.status != "running":
            raise self._gone()
        self._idle = 0.0 if self._worker_count() else self._idle + ASKED
        if self._idle > WITHOUT_WORKERS:
            raise WavewrightError(
                f"no worker has been there for {WITHOUT_WORKERS:.0f} s", where=self._name,
                do="start workers with `dask worker ADDRESS`, and repeat; what is answered is not asked again if kept",
            )  # fmt: skip

    def _gone(self) -> WavewrightError:
        return WavewrightError(
            "the scheduler is gone", where=self._name,
            do="start it and its workers again, and repeat; what is answered is not asked again if it is kept",
        )  # fmt: skip


def checked_answers(query: Query, items: list[str], wanted: Mapping[str, str]) -> tuple[list[ItemAnswer], float]:
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


def _leave_signals_to_parent() -> None:
    """Ctrl-C in a terminal goes to the workers too; who asked heeds it, and they end with it."""
    with suppress(ValueError):  # not in the main thread
        leave_to_parent()
