from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

ROOT = Path(__file__).parents[2]
PATIENT = 30.0  # s; what does not come in this time does not come at all


class Page:
    """A page as a browser's WebSocket sees it: what it sends, and what it hears, by kind, the newest last."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket = socket
        self.heard: list[dict[str, Any]] = []
        self.binaries: list[bytes] = []

    def ask(self, do: str, **more: Any) -> None:
        self.socket.send(json.dumps({"do": do, **more}))

    def until(self, wanted: Callable[[dict[str, Any]], bool], *, alive: bool = True) -> dict[str, Any]:
        """The first message, from now on, that is wanted; a page that is `alive` says so meanwhile."""
        end, said = time.monotonic() + PATIENT, 0.0
        while time.monotonic() < end:
            if alive and time.monotonic() - said > 1:
                said = time.monotonic()
                self.ask("alive")
            try:
                message = self.socket.recv(timeout=0.2)
            except TimeoutError:
                continue
            if isinstance(message, bytes):
                self.binaries.append(message)
                continue
            self.heard.append(json.loads(message))
            if wanted(self.heard[-1]):
                return self.heard[-1]
        told = [one for one in self.heard if one["kind"] in ("said", "state")]
        raise AssertionError(f"not heard; what was said last: {told[-4:]}")

    def until_state(self, doing: str, **outputs: Any) -> dict[str, Any]:
        def wanted(one: dict[str, Any]) -> bool:
            if one["kind"] != "state" or one["doing"] != doing:
                return False
            return all(one["outputs"][name] == value for name, value in outputs.items())

        return self.until(wanted)

    def until_said(self, part: str) -> dict[str, Any]:
        return self.until(lambda one: one["kind"] == "said" and part in one["text"])

    def until_kind(self, kind: str) -> dict[str, Any]:
        return self.until(lambda one: one["kind"] == kind)


class Watch:
    """The real command, and the address that it printed."""

    def __init__(self, process: subprocess.Popen[str], address: str) -> None:
        self.process, self.address = process, address

    @property
    def origin(self) -> str:
        return "/".join(self.address.split("/")[:3])

    @contextmanager
    def page(self, **how: Any) -> Iterator[Page]:
        options = {"origin": self.origin, "max_size": None, **how}
        with connect(f"ws{self.address[4:]}live", **options) as socket:
            yield Page(socket)

    def end(self, number: int = signal.SIGINT) -> tuple[int, str]:
        """Its exit status, and what it said on stderr."""
        self.process.send_signal(number)
        _, said = self.process.communicate(timeout=PATIENT)
        return self.process.returncode, said


@contextmanager
def watching(*arguments: object, folder: Path) -> Iterator[Watch]:
    """The command in a process of its own; ended afterwards."""
    command = [sys.executable, "-m", "wavewright", "watch", *map(str, arguments), "--no-open"]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    with subprocess.Popen(
        command, cwd=folder, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        found = re.search(r"http\S+", process.stdout.readline())
        try:
            assert found is not None, process.stderr.read()
            yield Watch(process, found.group())
        finally:
            if process.poll() is None:
                process.kill()
                process.communicate()


def until(true: Callable[[], bool]) -> None:
    """Wait for something that another thread or process does."""
    end = time.monotonic() + PATIENT
    while not true():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)
