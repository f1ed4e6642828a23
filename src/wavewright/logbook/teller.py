"""Telling other systems of each outcome, beside the batch: in order, at least once, and never in its way.

A message is put into the folder `untold` of the evidence before anybody is told, and goes when the receiver has taken
it. So nothing is forgotten where the receiver fails, hangs, or this process is killed.
"""

from __future__ import annotations

import re
import threading
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from wavewright.durable_files import take_away, write_whole
from wavewright.errors import Misuse
from wavewright.logbook.default_location import usual_logbook
from wavewright.logbook.told_outcome import told_line
from wavewright.logbook.told_process import ToldProcess
from wavewright.path_length import ROOM_FOR_A_FILE, within_reach

FOLDER = "untold"
PATIENCE = 10.0  # s for one message
LAST_WAIT = 20.0  # s at the end for all that is left
ATTEMPTS = 3
MOST_AT_ONCE = 1000  # messages of one session that wait; more stay in the folder


class Receiver(Protocol):
    """Takes one message after the other."""

    def tell(self, message: bytes, *, patience: float) -> str:
        """Tell it a message; returns why it did not take it, empty if it did."""

    def end(self) -> None:
        """Give up what is going on, from another thread."""


class ToldFile:
    """A file that gets a line for each message.

    Raises
    ------
    Misuse : it is not an ordinary file.
    """

    def __init__(self, path: Path) -> None:
        if path.exists() and not path.is_file():
            raise Misuse(f"{path} is not a file", expected="a file that gets a line for each outcome")
        self._path = path

    def tell(self, message: bytes, *, patience: float) -> str:
        """Append it."""
        del patience  # a disk is not given up
        try:
            with self._path.open("ab", buffering=0) as file:
                before = file.seek(0, 2)
                if file.write(message) < len(message):
                    file.truncate(before)
                    return f"{self._path}: the disk takes no whole line"
        except OSError as fault:
            return f"{self._path}: {fault.strerror or fault}"
        return ""

    def end(self) -> None:
        """Nothing: a line is written at once."""


def receivers(command: str | None, file: Path | None) -> list[Receiver]:
    """Those that the options name; Misuse as for each."""
    found: list[Receiver] = []
    if command:
        found.append(ToldProcess(command))
    if file is not None:
        found.append(ToldFile(file))
    return found


@dataclass(slots=True)
class Told:
    """How many messages were taken, and why others were not, by their id."""

    taken: int = 0
    faults: dict[str, str] = field(default_factory=dict)


def untold_beside(out: Path | None) -> Path:
    """The folder of what was not told yet, beside the evidence; where none is kept, the user's."""
    return within_reach((usual_logbook().parent if out is None else out) / FOLDER, ROOM_FOR_A_FILE)


class Teller:
    """Tells receivers what is put in, in a thread of its own, and before it what was left from earlier.

    A message that a receiver does not take is tried again before the next one, three times in all; then the others go
    on, and it stays in the folder. With two receivers it has been taken when both have.

    Parameters
    ----------
    untold : folder of what is not told yet.
    patience : s; how long a receiver may take for one message.
    """

    def __init__(self, to: list[Receiver], untold: Path, *, patience: float = PATIENCE) -> None:
        self._to, self._untold, self._patience = to, untold, patience
        self._work = threading.Condition()
        self._is_closing = self._is_over = False
        self._news = 0
        self._tries: Counter[str] = Counter()
        self._took: dict[str, set[int]] = {}
        self._own: set[str] = set()
        self._told = Told()
        self._thread = threading.Thread(target=self._work_on, daemon=True, name="teller")
        self._thread.start()

    def put(self, message: dict[str, Any]) -> str:
        """Put a message in and return at once; what keeps it from being told is returned, empty where nothing does."""
        name = re.sub(r"[^\w.-]", "_", str(message["id"]))  # of another program it may hold anything
        try:
            self._untold.mkdir(parents=True, exist_ok=True)
            write_whole(self._untold / f"{name}.json", told_line(message))
        except OSError as fault:
            self._told.faults[name] = f"{self._untold}: {fault.strerror or fault}"
            return self._told.faults[name]
        with self._work:
            self._own.add(name)
            self._news += 1
            self._work.notify()
        return ""

    def close(self, wait: float = LAST_WAIT) -> Told:
        """Tell what is left, for this many seconds at most; what is going on then is ended."""
        with self._work:
            self._is_closing = True
            self._work.notify()
        try:
            self._thread.join(wait)
        finally:  # also where a second Ctrl-C comes: no receiver is left running
            self._is_over = True
            for one in self._to:
                one.end()
        self._thread.join(self._patience)
        for name in self._own:
            if (self._untold / f"{name}.json").exists():
                self._told.faults.setdefault(name, "its turn did not come in time")
        return self._told

    def _work_on(self) -> None:
        while True:
            with self._work:
                self._work.wait_for(lambda: self._news or self._is_closing)
                is_last, self._news = self._is_closing, 0
            while self._tell_all() and is_last:
                continue  # at the end every attempt is made
            if is_last:
                return

    def _tell_all(self) -> bool:
        """Tell all messages in order up to one that is not taken; returns whether another round may do more."""
        for path in sorted(self._untold.glob("[!.]*.json"))[:MOST_AT_ONCE]:
            if self._is_over:
                return False
            name = path.stem
            if self._tries[name] >= ATTEMPTS:
                continue
            if why := self._tell(name, path):
                self._tries[name] += 1
                self._told.faults[name] = why
                return True
            self._told.faults.pop(name, None)
        return False

    def _tell(self, name: str, path: Path) -> str:
        try:
            message = path.read_bytes()
        except OSError as fault:  # another process has told it meanwhile
            return "" if not path.exists() else f"{path}: {fault.strerror or fault}"
        took = self._took.setdefault(name, set())
        for number, one in enumerate(self._to):
            if number in took:
                continue
            if why := one.tell(message, patience=self._patience):
                return why
            took.add(number)
        self._told.taken += 1
        try:
            take_away(path)
        except OSError as fault:  # told once more another time
            self._tries[name] = ATTEMPTS
            return f"{path}: was told, and cannot be deleted: {fault.strerror or fault}"
        return ""


def told_lines(told: Told, untold: Path) -> list[str]:
    """What is to be said at the end; nothing where every message was taken."""
    if not told.faults:
        return []
    reasons = Counter(told.faults.values())
    why, count = reasons.most_common(1)[0]
    more = "" if count == len(told.faults) else f" and {len(told.faults) - count} others for other reasons"
    return [
        f"{len(told.faults)} outcomes were not told ({count}: {why}{more}); they wait in {untold}, and the next run"
        " with --tell or `wavewright logbook tell` tells them"
    ]
