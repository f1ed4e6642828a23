"""The real command, started by the hundred: a process that has imported everything forks one that runs it.

The forked process is one of its own, with its own standard streams, and runs `wavewright.cli.start.main`; it is killed
and stopped like any other. Only the time that imports take is saved.
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
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

# by name: Windows has not all of them, and these tests are not for it
STOP_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit status, negative for the signal that killed it, and what it said."""

    status: int
    stdout: str
    stderr: str


class Command:
    """One command that was started."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
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
        """Wait for its end."""
        status = os.waitstatus_to_exitcode(int(self._reply()))
        return Ended(status, (self._folder / "stdout.txt").read_text(errors="replace"), self.stderr())

    def _reply(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the prepared process has ended"
        return line


class Prepared:
    """Starts commands in a folder, one at a time."""

    def __init__(self, process: subprocess.Popen[str], folder: Path) -> None:
        self._process, self.folder = process, folder

    def start(self, *arguments: object, folder: Path | None = None, limits: dict[str, int] | None = None) -> Command:
        wanted = {"folder": str(folder or self.folder), "arguments": [str(one) for one in arguments]}
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({**wanted, "limits": limits or {}}) + "\n")
        self._process.stdin.flush()
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
    with subprocess.Popen(
        command, cwd=ROOT, env=environment, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        try:
            yield Prepared(process, folder)
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait()


def main(folder: Path) -> None:
    """Serve: a line of JSON starts a command and is answered by its process number, and by its status at its end."""
    _import_everything()
    for line in sys.stdin:
        wanted = json.loads(line)
        # what comes between fork and command is none of the command's: it waits until the command has its handlers
        signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
        pid = os.fork()
        if pid == 0:
            _be(wanted, folder)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(status, flush=True)


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
