"""One bench is used by one run at a time, across processes: a lock for each instrument's address."""

from __future__ import annotations

import hashlib
import json
import os
import socket
import stat
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from wavewright.durable_files import put_in_place, take_away
from wavewright.errors import BenchFault, StorageFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.simulated import is_without_instruments


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds an instrument: process number, host, what it runs, since when (UTC)."""

    process: int
    host: str
    what: str
    since: str

    def __str__(self) -> str:
        return f"process {self.process} on {self.host} ({self.what}, since {self.since})"


@contextmanager
def bench_lock(
    addresses: Sequence[str],
    *,
    what: str,
    patience: float = 0.0,
    folder: Path | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> Iterator[None]:
    """Hold every instrument of a bench inside the block.

    The lock is the operating system's, on one file per address: it ends with the process that held it, so a lock left
    by a run that was killed binds nobody; its note is recognised as stale, reported once, and overwritten. Addresses
    are taken in sorted order, so two runs that share some instruments never wait for each other in a circle.

    Parameters
    ----------
    addresses : VISA resource names, each together with the library that gives it its meaning.
    what : what is to be run, for the message that others get.
    patience : s; how long to wait for others before giving up.
    folder : where the lock files lie; the user's runtime folder if not given.
    say : shows the operator that the run waits, for which other run, or that a stale lock was found.

    Raises
    ------
    BenchFault : an instrument is still in use after `patience`; names the holder.
    StorageFault : the lock file cannot be made.
    """
    where = folder or lock_folder()
    deadline = time.monotonic() + patience
    with ExitStack() as held:
        for address in sorted(set(addresses)):
            held.enter_context(_one(address, where, what, deadline, say))
        yield


def addresses(bench: BenchFile) -> tuple[str, ...]:
    """What a run has for itself while it lasts: the address of each instrument of a bench.

    Empty where a file simulates the instruments: each program has those for itself, and nobody waits for another one's.
    """
    if is_without_instruments(bench.grammar.library):
        return ()
    return tuple(instrument.resource for instrument in bench.instruments.values())


def lock_folder() -> Path:
    """Where lock files lie: below XDG_RUNTIME_DIR, else in a folder of the user's own for temporary files."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and Path(runtime).is_dir():
        return Path(runtime) / "wavewright"
    user = os.getuid() if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    return Path(tempfile.gettempdir()) / f"wavewright-{user}"


def check_private(folder: Path) -> None:
    """See that nobody but its owner can put anything into the folder of the locks.

    Raises
    ------
    StorageFault : it is a link, is somebody else's, or others may write there.
    """
    if not hasattr(os, "getuid"):  # there the user's own folder for temporary files has its own access list
        return
    found = folder.lstat()
    why = ""
    if not stat.S_ISDIR(found.st_mode):
        why = "it is not a folder, or a link to one"
    elif found.st_uid != os.getuid():
        why = f"it belongs to user {found.st_uid}"
    elif found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        why = f"others may write there (mode {stat.S_IMODE(found.st_mode):o})"
    if why:
        raise StorageFault(
            f"the folder of the locks is not safe to use: {why}",
            where=str(folder),
            expected="a folder of your own that nobody else may write to",
            do="move it away, or set XDG_RUNTIME_DIR to a folder of your own",
        )


@contextmanager
def _one(address: str, folder: Path, what: str, deadline: float, say: Callable[[str], None]) -> Iterator[None]:
    from filelock import FileLock, Timeout

    note = folder / f"{hashlib.sha256(address.encode()).hexdigest()[:24]}.json"
    lock = FileLock(note.with_suffix(".lock"))
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        check_private(folder)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            holder = _read(note)
            say(f"{address} is in use by {holder or 'another run'}; waiting for it")
            lock.acquire(timeout=max(0.0, deadline - time.monotonic()))
    except Timeout as late:
        raise BenchFault(
            f"in use by {_read(note) or 'another run'}",
            where=address,
            expected="an instrument that no other run uses",
            do="wait until that run has ended, or stop it",
        ) from late
    except OSError as fault:
        raise StorageFault(f"the lock file cannot be made: {fault}", where=str(folder)) from fault
    try:
        if stale := _read(note):
            say(f"{address}: {stale} ended without giving the instrument back; the lock is taken over")
        _write(note, Holder(os.getpid(), socket.gethostname(), what, datetime.now(UTC).isoformat(timespec="seconds")))
        yield
    finally:
        _take_away(note)  # before the lock goes, or the next holder's note would be taken away
        lock.release()


def _read(note: Path) -> Holder | None:
    try:
        return Holder(**json.loads(note.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):  # none there, or half written by a process that was killed
        return None


def _take_away(note: Path) -> None:
    """Delete a note, or empty it where somebody keeps it open and the system, Windows, deletes nothing that is."""
    try:
        take_away(note)
    except PermissionError:
        with suppress(OSError):
            note.write_text("", encoding="utf-8")


def _write(note: Path, holder: Holder) -> None:
    """Write the note as a new file: what somebody else may have put there, a link say, is replaced and not followed."""
    part = note.with_suffix(f".{os.getpid()}.part")
    try:
        part.unlink(missing_ok=True)
        with part.open("x", encoding="utf-8") as file:
            file.write(json.dumps(asdict(holder)))
        put_in_place(part, note)
    except OSError as fault:
        raise StorageFault(
            f"the note of which run holds the bench cannot be written: {fault}", where=str(note)
        ) from fault
