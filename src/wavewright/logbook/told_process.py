"""A process that is told something on its standard input, for a bounded time, and ended with all that it started.

Its input is a file and no pipe: a process that never reads holds nobody up. What it prints is thrown away, but for the
first words on its standard error, which are the reason if it fails.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import IO

from wavewright.errors import Misuse

WORDS = 300  # bytes of standard error that are kept
PIECE = 1 << 16
MOST_READERS = 4  # of standard errors that somebody who was left over still holds open
LINGER = 0.5  # s; how long the rest of a standard error is waited for once the process has ended
STEP = 0.05  # s


class ToldProcess:
    """One command that is started anew for each message.

    Parameters
    ----------
    command : split into words as a shell would (on Windows as the system does), and given to no shell.

    Raises
    ------
    Misuse : it is empty, cannot be split, or there is no such program.
    """

    def __init__(self, command: str) -> None:
        self.command = command
        try:
            words = shlex.split(command, posix=os.name == "posix")
        except ValueError as fault:
            raise Misuse(
                f"`{command}` cannot be split into words: {fault}", expected="a program and its words"
            ) from None
        program = words[0].strip('"') if words else ""
        if not program or shutil.which(program) is None:
            raise Misuse(
                f"there is no program `{program}`",
                expected="a program that can be run, and its words",
                do="check --tell",
            )
        self._given: str | Sequence[str] = words if os.name == "posix" else command
        self._readers: list[threading.Thread] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._is_ended = False
        self._pause = threading.Event()  # never set: only waits

    def tell(self, message: bytes, *, patience: float) -> str:
        """Start the command with the message as its input and wait; returns why it failed, empty if it did not.

        Parameters
        ----------
        patience : s; then it is ended.
        """
        try:
            with tempfile.TemporaryFile() as given:
                given.write(message)
                given.seek(0)
                return self._run(given, patience)
        except OSError as fault:
            return f"cannot be started: {fault.strerror or fault}"

    def end(self) -> None:
        """End what is running now, from another thread, and start nothing any more."""
        self._is_ended = True
        if (process := self._process) is not None:
            _end_all(process)

    def _run(self, given: IO[bytes], patience: float) -> str:
        self._readers = [one for one in self._readers if one.is_alive()]
        is_heard = len(self._readers) < MOST_READERS
        process = subprocess.Popen(
            self._given,
            stdin=given,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE if is_heard else subprocess.DEVNULL,
            # the head of a group: Ctrl-C in our terminal does not reach it, and it can be ended whole
            start_new_session=os.name == "posix",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._process = process
        kept = bytearray()
        reader = None
        if process.stderr is not None:
            reader = threading.Thread(target=_drain, args=(process.stderr, kept), daemon=True)
            reader.start()
        late = time.monotonic() + patience
        try:
            while not (has_ended := _has_ended(process)) and time.monotonic() < late and not self._is_ended:
                self._pause.wait(STEP)
        finally:
            _end_all(process)
            self._process = None
        if reader is not None:
            reader.join(LINGER)
            if reader.is_alive():
                self._readers.append(reader)
        status = process.returncode if has_ended else None
        if status == 0:
            return ""
        said = bytes(kept).decode(errors="replace").strip()
        shown = "".join(sign if sign.isprintable() else " " for sign in said.splitlines()[0]) if said else ""
        why = "was ended before it answered" if self._is_ended else f"gave no answer within {patience:g} s"
        return f"{why if status is None else f'exit status {status}'}{f': {shown}' if shown else ''}"


def _drain(stream: IO[bytes], kept: bytearray) -> None:
    """Read to the end, and keep the beginning."""
    with suppress(OSError, ValueError), stream:
        while piece := os.read(stream.fileno(), PIECE):
            kept += piece[: WORDS - len(kept)]


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Whether a process has ended; where the system can say so without forgetting it, its number stays its own."""
    if hasattr(os, "waitid"):
        return os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None
    return process.poll() is not None


def _end_all(process: subprocess.Popen[bytes]) -> None:
    """End a process and what it started, as far as that is still in its group; it need not be alive any more."""
    if os.name == "posix":
        if process.returncode is None:  # once it is forgotten, its number may be that of somebody else
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
    elif process.poll() is None:
        with suppress(OSError, subprocess.SubprocessError):
            command = ["taskkill", "/T", "/F", "/PID", str(process.pid)]
            subprocess.run(command, capture_output=True, timeout=5, check=False)
    with suppress(OSError):
        process.kill()
    with suppress(subprocess.TimeoutExpired):
        process.wait(5)
