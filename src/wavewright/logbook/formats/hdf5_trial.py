"""HDF5 files from elsewhere are opened in a process of their own first.

On some damaged files the HDF5 library (2.0.0 and before) never comes back, or ends the process, and nothing in our own
process could stop it. The trial process is started once, and ends with ours, whatever ends that: its standard input is
closed then.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path
from queue import Empty, Queue
from typing import IO

from wavewright.errors import FileFault

PATIENCE = 5.0  # s for one file
_TRIAL = """
import json, sys
import h5py

def look(name, it):
    for key in it.attrs:
        it.attrs[key]
    if isinstance(it, h5py.Dataset) and it.ndim == 1 and it.size and not it.external and not it.is_virtual:
        it[:1], it[-1:]

for line in sys.stdin:
    try:
        with h5py.File(json.loads(line), "r") as file:
            look("", file)
            file.visititems(look)
    except Exception:
        pass  # what is wrong with it is reported by whoever reads it
    print("back", flush=True)
"""


class _Trial:
    """The process, and the lines that it says."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self._lines: Queue[str] = Queue()
        self._lock = threading.Lock()

    def comes_back(self, path: Path) -> bool:
        """Whether the library comes to an end with a file."""
        with self._lock:
            process = self._running()
            assert process.stdin is not None
            try:
                process.stdin.write(json.dumps(str(path.resolve())) + "\n")
                process.stdin.flush()
                answer = self._lines.get(timeout=PATIENCE)
            except (Empty, OSError):
                answer = ""
            if answer.strip() == "back":
                return True
            process.kill()
            process.wait()
            self._process = None
            return False

    def _running(self) -> subprocess.Popen[str]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _TRIAL],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            )  # fmt: skip
            self._lines = Queue()
            assert self._process.stdout is not None
            threading.Thread(target=_listen, args=(self._process.stdout, self._lines), daemon=True).start()
        return self._process


def _listen(stream: IO[str], lines: Queue[str]) -> None:
    for line in stream:
        lines.put(line)
    lines.put("")  # it has ended


_trial = _Trial()


def check_comes_back(path: Path) -> None:
    """See that the HDF5 library comes to an end with a file.

    Raises
    ------
    FileFault : it does not within 5 s, or it ended its process.
    """
    if not _trial.comes_back(path):
        raise FileFault(
            "damaged: the HDF5 library does not finish reading it",
            where=str(path),
            expected="an HDF5 file that was closed after writing",
        )
