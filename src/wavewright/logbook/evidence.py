"""Evidence of a run: a folder with the outcome, the raw captures and the wire log, all of it or nothing.

While the run is on, the folder has a name that begins with a dot; it gets its own name when everything is on the disk.
What a killed run leaves is such a dotted folder, which no reader takes for evidence.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO, cast

from wavewright.errors import StorageFault
from wavewright.logbook.captures import CaptureFile, KeptCaptures
from wavewright.logbook.outcome_files import CAPTURES, OUTCOME, WIRE_LOG, outcome_as_json
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture


class Evidence:
    """Takes captures as they come and, at the end, the rest; a `with` block leaves the whole folder or none.

    Parameters
    ----------
    parent : folder of all outcomes; made if it is not there.
    started : UTC; recipe : name of the recipe file without its ending; serial : of the unit under test. Together they
        are the name of the folder.

    Raises
    ------
    StorageFault : the folder cannot be written. Found before anything is sent to an instrument.
    """

    def __init__(self, parent: Path, *, started: datetime, recipe: str, serial: str) -> None:
        words = (f"{started:%Y%m%dT%H%M%SZ}", recipe, serial or "no-serial")
        self._name = "-".join(re.sub(r"[^\w.+=]+", "-", word).strip(".-") for word in words)
        self._parent = parent
        self._unfinished = parent / f".{self._name}.{os.getpid()}"
        with named_storage(parent):
            parent.mkdir(parents=True, exist_ok=True)
            self._unfinished.mkdir()
            self._dialogue = _WireStream(self._unfinished / WIRE_LOG)
        self._captures = CaptureFile(self._unfinished / CAPTURES)
        self._is_kept = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self._is_kept:
            self._captures.abandon()
            self._dialogue.close()
            shutil.rmtree(self._unfinished, ignore_errors=True)

    @property
    def wire_log(self) -> TextIO:
        """A text stream that takes the dialogue with the instruments and never raises.

        A full disk must not stand between the runner and the message that switches an output off. The fault is raised
        by `keep` and `finish`.
        """
        return cast(TextIO, self._dialogue)

    def keep(self, label: str, capture: Capture) -> None:
        """Write one shot of a measurement to the disk.

        Raises
        ------
        StorageFault : the disk does not take it, or did not take the wire log.
        """
        self._captures.keep(label, capture)
        self._dialogue.check()

    def drop(self, label: str) -> None:
        """Take out the shots of a measurement that were kept so far."""
        self._captures.drop(label)

    def finish(self, outcome: Outcome, *, extra: Mapping[str, bytes] | None = None) -> Outcome:
        """Write the outcome, give the folder its name, and return the outcome with its place in it.

        Parameters
        ----------
        extra : more files by name, such as tables or plots.

        Raises
        ------
        StorageFault : the disk does not take it; nothing is left under the final name.
        """
        self._captures.close()
        self._dialogue.close()
        self._dialogue.check()
        document = json.dumps(outcome_as_json(outcome), ensure_ascii=False, indent=1, allow_nan=False)
        for name, content in {OUTCOME: document.encode(), **(extra or {})}.items():
            _write(self._unfinished / name, content)
        with named_storage(self._unfinished):
            for name in (CAPTURES, WIRE_LOG):
                _to_disk(self._unfinished / name)
            _to_disk(self._unfinished)
            folder = self._named()
            _to_disk(self._parent)
        self._is_kept = True
        return replace(outcome, folder=folder, captures=KeptCaptures(folder / CAPTURES))

    def _named(self) -> Path:
        """Rename to the final name, with a number behind it if a run of the same second has that."""
        for number in range(1, 1000):
            folder = self._parent / (self._name if number == 1 else f"{self._name}-{number}")
            if not folder.exists():  # a folder that comes up in between is not empty, and then the rename fails
                return self._unfinished.rename(folder)
        raise StorageFault(f"a thousand outcomes are named {self._name}", where=str(self._parent))


class _WireStream(io.TextIOBase):
    """A text file that swallows the first fault, and everything after it, until `check` is called."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = path.open("x", encoding="utf-8")
        self._fault: OSError | None = None

    def write(self, text: str) -> int:
        if self._fault is None:
            try:
                self._file.write(text)
            except OSError as fault:
                self._fault = fault
        return len(text)

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as fault:
            self._fault = self._fault or fault

    def check(self) -> None:
        """Raise, as a StorageFault, what went wrong so far."""
        with named_storage(self._path):
            if self._fault is not None:
                raise self._fault


@contextmanager
def named_storage(path: Path) -> Iterator[None]:
    """Turn what the operating system says about a file or folder into our error."""
    try:
        yield
    except OSError as fault:
        raise StorageFault(
            f"the evidence cannot be written: {fault.strerror or fault}",
            where=str(fault.filename or path),
            do="make room or get the right to write there, or name another folder with --out",
        ) from fault


def _write(path: Path, content: bytes) -> None:
    with named_storage(path), path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _to_disk(path: Path) -> None:
    handle: Any = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
