"""Whether processes end, asked of Linux by descriptors, which nobody else gets as numbers are got again."""

from __future__ import annotations

import os
import select
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

PATIENCE = 30.0  # s; only a defect lets anybody wait so long


@contextmanager
def watched(pids: Sequence[int]) -> Iterator[Callable[[], bool]]:
    """Gives a function that waits for the end of all of these processes, and says whether it came.

    Those that have not ended by the end of the block are killed.
    """
    ends = [os.pidfd_open(pid) for pid in pids]

    def all_ended() -> bool:
        return all(select.select([end], [], [], PATIENCE)[0] for end in ends)  # can be read when it has ended

    try:
        yield all_ended
    finally:
        for pid, end in zip(pids, ends, strict=True):
            if not select.select([end], [], [], 0)[0]:
                os.kill(pid, signal.SIGKILL)
            os.close(end)
