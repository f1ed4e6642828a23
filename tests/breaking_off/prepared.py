"""The real command, started by the hundred: a process that has imported everything forks one that runs it.

The forked process is one of its own, with its own standard streams, and runs `wavewright.cli.start.main`; it is killed
and stopped like any other. Only the time that imports take is saved.

Whatever way a test ends, nothing that it started is left; what a command leaves behind fails the test.
"""

from __future__ import annotations

import json
import logging
import os
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import psutil

# by name: Windows has not all of them, and these tests are not for it
STOP_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
ROOT = Path(__file__).parents[2]
TOO_LONG = 120.0  # s; only a command that hangs takes so long, a slow machine does not
TO_NOTICE = 30.0  # s for a process that computed for a command to notice the command's end
TO_DIE = 30.0  # s for a process that was killed


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit status, negative for the signal that killed it, and what it said."""

    status: int
    stdout: str
    stderr: str


class Command:
    """One command that was started. Until its end has been read its number is its own, and it may be signalled."""

    def __init__(self, process: subprocess.Popen[bytes], folder: Path) -> None:
        self._process, self._folder = process, folder
        self.pid = int(self._reply())

    def is_on_after(self, seconds: float) -> bool:
        """Wait for its end, but not longer; whether it is still on."""
        return not select.select([self._process.stdout], [], [], seconds)[0]

    def signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def stderr(self) -> str:
        return (self._folder / "stderr.txt").read_text(errors="replace")

    def end(self) -> Ended:
        """Wait for its end; one that hangs is ended, and fails the test."""
        if self.is_on_after(TOO_LONG):
            self.signal(signal.SIGKILL)
            self._reply()
            raise AssertionError(f"it did not end: {self.stderr()}")
        status = int(self._reply())
        return Ended(status, (self._folder / "stdout.txt").read_text(errors="replace"), self.stderr())

    def _reply(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the prepared process has ended"
        return line.decode()


class Prepared:
    """Starts commands in a folder, one at a time."""

    def __init__(self, process: subprocess.Popen[bytes], folder: Path) -> None:
        self._process, self.folder = process, folder

    def start(self, *arguments: object, folder: Path | None = None) -> Command:
        wanted = {"folder": str(folder or self.folder), "arguments": [str(one) for one in arguments]}
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(wanted).encode() + b"\n")
        return Command(self._process, self.folder)

    def run(self, *arguments: object, folder: Path | None = None) -> Ended:
        return self.start(*arguments, folder=folder).end()


@contextmanager
def prepared(folder: Path) -> Iterator[Prepared]:
    """Commands whose standard streams are files in a folder."""
    environment = {
        **os.environ,
        "XDG_DATA_HOME": str(folder / "data"),
        "XDG_RUNTIME_DIR": str(folder),
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONHASHSEED": "0",
    }
    command = [sys.executable, "-m", "tests.breaking_off.prepared", str(folder)]
    # without buffers: what `select` says is then all that there is to read
    with subprocess.Popen(
        command, cwd=ROOT, env=environment, bufsize=0, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        try:
            yield Prepared(process, folder)
        except BaseException:
            process.kill()
            _end(_started_for(folder), patience=0)
            raise
        assert process.stdin is not None
        process.stdin.close()
        process.wait()
    left = _end(_started_for(folder), patience=TO_NOTICE)
    assert not left, f"left behind by a command: {left}"


def _started_for(folder: Path) -> list[psutil.Process]:
    """All processes that have the environment of a test: its commands, and what these started."""
    found = []
    for one in psutil.process_iter():
        with suppress(psutil.Error):
            if one.environ().get("XDG_RUNTIME_DIR") == str(folder):
                found.append(one)
    return found


def _end(processes: list[psutil.Process], *, patience: float) -> list[psutil.Process]:
    """Those that do not end by themselves, within s; they are ended."""
    _, left = psutil.wait_procs(processes, timeout=patience)
    for one in left:
        with suppress(psutil.NoSuchProcess):
            one.kill()
    psutil.wait_procs(left, timeout=TO_DIE)
    return left


def main(folder: Path) -> None:
    """Serve: a line of JSON starts a command and is answered by its process number, and by its status at its end.

    An ended command stays a zombie until the next line: nobody else has its number while it may still be signalled.
    """
    _import_everything()
    pid = 0
    while line := sys.stdin.buffer.readline():
        if pid:
            os.waitpid(pid, 0)
        wanted = json.loads(line)
        # what comes between fork and command is none of the command's: it waits until the command has its handlers
        signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
        pid = os.fork()
        if pid == 0:
            _be(wanted, folder)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)
        print(pid, flush=True)
        ended = os.pidfd_open(pid)
        if ended not in select.select([ended, sys.stdin], [], [])[0]:  # nobody is left to read of its end
            os.kill(pid, signal.SIGKILL)
            return
        os.close(ended)
        how = os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        assert how is not None
        print(how.si_status if how.si_code == os.CLD_EXITED else -how.si_status, flush=True)


def _be(wanted: dict[str, Any], folder: Path) -> None:
    from wavewright.cli.start import main as command
    from wavewright.cli.stopping import end_while_loading

    streams: list[IO[str]] = [open(os.devnull)]  # noqa: SIM115, PTH123
    streams += [(folder / f"{name}.txt").open("w") for name in ("stdout", "stderr")]
    for number, stream in enumerate(streams):
        os.dup2(stream.fileno(), number)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115
    os.chdir(wanted["folder"])
    sys.argv = ["wavewright", *wanted["arguments"]]
    status = 70
    end_while_loading()
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)
    try:
        command()
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 1
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(status)


def _import_everything() -> None:
    """Run commands once, so that what they import late is there."""
    from wavewright.cli.main import execute

    with tempfile.TemporaryDirectory() as name, open(os.devnull, "w") as nothing:  # noqa: PTH123
        kept, here = (sys.stdout, sys.stderr), Path.cwd()
        sys.stdout = sys.stderr = nothing
        os.chdir(name)
        bench = ROOT / "sim/bench.yaml"
        execute(
            ["run", str(ROOT / "recipes/rail_ripple.yaml"), "--bench", str(bench), "--yes", "--logbook", "b.sqlite"]
        )
        for words in (["recompute", "last"], ["logbook", "verify"], ["logbook", "import", "outcomes"]):
            execute([*words, "--logbook", "b.sqlite"])
        execute(["logbook", "prune", "--logbook", "b.sqlite"])
        execute(["logbook", "list", "--unfinished"])
        os.chdir(here)
        sys.stdout, sys.stderr = kept
    logging.getLogger().handlers.clear()  # a command makes its own


if __name__ == "__main__":
    main(Path(sys.argv[1]))
