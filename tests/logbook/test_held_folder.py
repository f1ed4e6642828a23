"""A folder that a process holds can be given back by another thread than the one that made it."""

from __future__ import annotations

from pathlib import Path
from threading import Thread

import psutil

from wavewright.logbook.held_folder import HeldFolder, lock_of, taken_over


def test_the_lock_ends_whichever_thread_gives_the_folder_back(tmp_path: Path) -> None:
    open_files = getattr(psutil.Process(), "num_fds", lambda: 0)  # a system that lacks it keeps an open file's name
    # given a folder that is held here
    before = open_files()
    held = HeldFolder(tmp_path, "incoming")
    with taken_over(held.path) as is_ours:
        assert not is_ours
    # when the thread that evaluates lets go of it, and leaves the folder where it is
    giving = Thread(target=held.let_go)
    giving.start()
    giving.join()
    # then others may take it over: neither the file of the lock nor the lock is left
    assert held.path.exists()
    assert not lock_of(held.path).exists()
    assert open_files() == before
    with taken_over(held.path) as is_ours:
        assert is_ours
