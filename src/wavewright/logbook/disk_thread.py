"""Brings files to the disk while others go on: a thread that does one thing at a time, and only when it is told.

The wait for a disk is left to a thread of its own, and not to whoever is idle: a network drive that has gone may keep
it for minutes, in which no signal would be heard, and outputs would stay on.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue

from wavewright.errors import StorageFault
from wavewright.instruments.stop_signals import leave_to_main_thread, undisturbed

PATIENCE = 10.0  # s; so long whoever closes the files waits for what is on its way


class DiskThread:
    """Calls `sync` beside the caller; the thread is started when it is needed first.

    A fault is raised by everything that is asked of it later: what an operating system could not bring to the disk it
    may forget, and say of the same file that all is well when it is asked again.

    Parameters
    ----------
    where : what is brought to the disk.
    """

    def __init__(self, sync: Callable[[], None], *, where: Path) -> None:
        self._sync, self._where = sync, where
        self._wanted: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._is_at_rest = threading.Lock()  # held from `begin` until the disk has it
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None

    def begin(self, job: Callable[[], None] | None = None) -> bool:
        """Bring to the disk what has been written until now; False where what was begun before is still on its way.

        Never waits; raises what went wrong before.

        Parameters
        ----------
        job : what the thread is to do instead, if anything.
        """
        with undisturbed():  # a signal in between would leave the lock held, with nobody to let go of it
            if not self._is_at_rest.acquire(blocking=False):
                return False
            try:
                if self._fault is not None:
                    raise self._fault
                if self._thread is None:
                    self._thread = threading.Thread(target=self._run, name="brings shots to the disk", daemon=True)
                    self._thread.start()
            except BaseException:  # a system without room for a thread, too
                self._is_at_rest.release()
                raise
            self._wanted.put(job or self._sync)
            return True

    def wait(self) -> None:
        """Return when what was begun is on the disk; raises what went wrong, then or before."""
        with self._is_at_rest:
            pass
        if self._fault is not None:
            raise self._fault

    def call(self) -> None:
        """Do the same in the caller's thread, and return when it is done."""
        self.wait()
        try:
            self._sync()
        except Exception as fault:
            self._fault = fault
            raise

    def end(self) -> None:
        """Let the files be closed: nothing is begun any more, and what is on its way has been waited for in patience.

        Raises
        ------
        StorageFault : it does not end.
        """
        thread, self._thread = self._thread, None
        if thread is not None:
            self._wanted.put(None)
            thread.join(PATIENCE)
            if thread.is_alive():
                raise StorageFault(
                    f"what was written was not on the disk within {PATIENCE:g} s",
                    where=str(self._where),
                    do="check the disk, or name another folder with --out",
                )

    def _run(self) -> None:
        leave_to_main_thread()
        while (job := self._wanted.get()) is not None:
            try:
                job()
            except BaseException as fault:  # raised again in the thread that waits
                self._fault = fault
            del job  # no record is held while the next one is awaited
            self._is_at_rest.release()
