"""Evidence of a run: a folder with the outcome, the raw captures and the wire log.

While the run is on, the folder has a name that begins with a dot, and a journal in it; it gets its own name when
everything is on the disk. Captures, readings and messages are written as they come. A shot is with the operating
system, and out of reach of a kill, before the next one is taken. It is on the disk, and out of reach of a power
failure, before the one after the next is taken, since it is brought there, beside its evaluation, while the next one is
fetched. Its readings are on the disk with the next shot, or with the measurement; they can be computed from the shot.
What a killed run leaves is such a dotted folder, which `unfinished.py` makes evidence of.
"""

from __future__ import annotations

import json
import re
import shutil
import zlib
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO, cast

import numpy as np

from wavewright.analysis.reading import Reading
from wavewright.durable_files import put_in_place, sync_file, sync_folder, write_whole
from wavewright.errors import BenchFault, Misuse, StorageFault, WireFault
from wavewright.logbook.captures import CaptureFile, KeptCaptures
from wavewright.logbook.code_store import CodeStore, CollectedShots, Collection
from wavewright.logbook.dialogue_file import DialogueFile, named_storage
from wavewright.logbook.disk_thread import DiskThread
from wavewright.logbook.held_folder import HeldFolder
from wavewright.logbook.journal import Journal
from wavewright.logbook.outcome_files import (
    ATTACHED,
    CAPTURES,
    JOURNAL,
    OUTCOME,
    WIRE_LOG,
    measurement_as_json,
    outcome_as_json,
)
from wavewright.logbook.stored_shots import described_shot
from wavewright.path_length import ROOM_FOR_A_FILE, within_reach
from wavewright.running.attachment import Attachment
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome
from wavewright.waveform import Capture

LONGEST_NAME = 255  # bytes, of the file systems that are in use
ROOM_FOR_MARKS = 24  # bytes: the dot, the token and the lock's suffix of the folder while it is unfinished
LARGE = 1 << 18  # bytes of a shot: from here on its CRC is computed while it is written
SPARE = 1 << 20  # bytes: outcome, journal and wire log of an ordinary run


class Evidence:
    """Takes everything as it comes, and at the end the outcome.

    A `with` block that ends without `finish` leaves the dotted folder, with all that came, if an instrument was spoken
    to, and nothing otherwise.

    Parameters
    ----------
    parent : folder of all outcomes; created if it does not exist.
    started : UTC; recipe : name of the recipe file without its extension; serial : of the unit under test. Together
        they are the name of the folder.
    codes : the store of a logbook, which gets the codes as they come too; it may fail without harm to the evidence.

    Raises
    ------
    StorageFault : the folder, or that of the codes, cannot be written. Found before anything is sent to an instrument.
    """

    def __init__(
        self, parent: Path, *, started: datetime, recipe: str, serial: str, codes: CodeStore | None = None
    ) -> None:
        self._name = folder_name(started, recipe, serial)
        self._parent = parent
        self._collection = None if codes is None else Collection(codes)
        self._codes_at = None if codes is None else codes.folder
        try:
            with named_storage(parent):
                self._held = HeldFolder(parent, self._name)
        except BaseException:
            self._abandon_collection()
            raise
        self._unfinished = self._held.path
        try:
            with named_storage(parent):
                self._dialogue = DialogueFile(self._unfinished / WIRE_LOG)
                self._journal = Journal(self._unfinished / JOURNAL)
            self._captures = CaptureFile(self._unfinished / CAPTURES)
        except BaseException:
            self._held.remove()
            self._abandon_collection()
            raise
        self._growing = (self._captures.handle, self._dialogue.handle, self._journal.handle)
        self._disk = DiskThread(self._sync, where=self._unfinished)
        self._is_on_its_way = False  # to the disk: the shot that was kept last
        self._shots: dict[str, int] = {}
        self._incomplete: tuple[str, Capture] | None = None
        self._is_kept = False
        self._has_begun = False
        self._is_forgotten = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._abandon_collection()
        if self._is_kept:
            return
        with suppress(StorageFault):
            self._disk.end()
        self._captures.abandon()
        self._dialogue.close()
        self._journal.close()
        if self._dialogue.has_spoken and not self._is_forgotten:
            with suppress(OSError):
                sync_folder(self._unfinished)
            self._held.let_go()
        else:
            self._held.remove()

    def is_worth_keeping(self, fault: BaseException) -> bool:
        """Whether a run that ended so has something to show: it was about to speak to the instruments, or has.

        A call that made no sense, and brought no shot, has nothing to show.
        """
        if isinstance(fault, Misuse) and not self._shots:
            return False
        return self._has_begun and (self._dialogue.has_spoken or isinstance(fault, WireFault | BenchFault))

    def forget(self) -> None:
        """Leave nothing, whatever came."""
        self._is_forgotten = True

    @property
    def left_at(self) -> Path | None:
        """The dotted folder of what came, where there was no `finish`; None where nothing is left."""
        return self._unfinished if not self._is_kept and self._unfinished.exists() else None

    @property
    def wire_log(self) -> TextIO:
        """A text stream that takes the dialogue with the instruments, line by line, and never raises.

        A full disk must not stand between the runner and the message that switches an output off. The fault is raised
        by `keep` and `finish`.
        """
        return cast(TextIO, self._dialogue)

    def begin(self, outcome: Outcome, *, size: int) -> None:
        """Write down what is about to be run, and look whether there is room for it.

        Parameters
        ----------
        outcome : as it would be if nothing came any more.
        size : bytes of all the records that are planned, as far as they are known.

        Raises
        ------
        StorageFault : there is too little room on the disk, or it takes nothing.
        """
        with named_storage(self._unfinished):
            folders = [self._unfinished, *([self._codes_at] if self._codes_at is not None else [])]
            by_disk: dict[int, list[Path]] = {}
            for folder in folders:
                by_disk.setdefault(folder.stat().st_dev, []).append(folder)
            for first, *rest in by_disk.values():
                _check_room(first, (1 + len(rest)) * size + SPARE)
            self._journal.write("begin", outcome_as_json(outcome))
            self._dialogue.check()
            self._sync()
            sync_folder(self._unfinished)
            sync_folder(self._parent)
        self._has_begun = True

    def attach(self, attachments: Iterable[Attachment]) -> tuple[Attachment, ...]:
        """Write attached files, each once, and return the attachments as they lie here; StorageFault as `keep`."""
        folder = self._unfinished / ATTACHED
        found = []
        for one in attachments:
            if not one.is_note:
                with named_storage(folder):
                    folder.mkdir(exist_ok=True)
                    if not (folder / one.sha256).exists():
                        write_whole(folder / one.sha256, one.read())
            found.append(replace(one, content=None, locate=folder.joinpath))
        return tuple(found)

    def identified(self, identities: Mapping[str, str]) -> None:
        """Write down who answers; StorageFault as `keep`. What writes captures is loaded now, while nothing is on."""
        self._note("identities", identities)
        self._captures.lay_out()

    def keep(self, label: str, capture: Capture) -> None:
        """Hand one shot of a measurement to the operating system: its codes, and what it is in the journal.

        What no kill makes necessary is left to `read`, which need not be called in the thread of the instruments.

        Raises
        ------
        StorageFault : the disk does not take it, or did not take the wire log.
        """
        self._complete()
        sums: dict[str, int] = {}

        def add_up() -> None:
            sums.update({name: crc_of(wave.codes) for name, wave in capture.waveforms.items()})

        is_large = sum(wave.codes.nbytes for wave in capture.waveforms.values()) >= LARGE
        is_beside = is_large and self._disk.begin(add_up)
        places = self._captures.keep_codes(label, capture)
        if is_beside:
            self._disk.wait()
        else:
            add_up()
        codes = {
            name: {"at": places[name], "count": len(wave), "type": wave.codes.dtype.str, "crc": sums[name]}
            for name, wave in capture.waveforms.items()
        }
        self._note("shot", {"label": label, "described": described_shot(capture), "codes": codes})
        self._incomplete = label, capture
        self._is_on_its_way = False

    def send_to_disk(self) -> None:
        """Begin to bring the shot that was kept last to the disk: `read` then waits for no more than is left of it.

        Its readings are on the disk with the next shot. This waits for nothing; StorageFault as `keep`.
        """
        self._is_on_its_way = self._disk.begin()

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        """Write down what was computed from the last shot, and return when that shot is on the disk; StorageFault so.

        The readings are there too, unless the shot was sent there before them.
        """
        self._complete()
        shot = self._shots[label] = self._shots.get(label, 0) + 1
        plain = {name: reading.as_json() for name, reading in readings.items()}
        self._note("readings", {"label": label, "shot": shot, "readings": plain})
        if self._is_on_its_way:
            self._disk.wait()
        else:
            self._disk.call()

    def measured(self, measurement: MeasurementOutcome) -> None:
        """Write down a measurement that is complete; StorageFault as `keep`."""
        self._note("measured", measurement_as_json(measurement))

    def finish(self, outcome: Outcome, *, extra: Mapping[str, bytes] | None = None) -> Outcome:
        """Write the outcome, give the folder its name, and return the outcome with its place in it.

        Parameters
        ----------
        extra : more files by name, such as tables or plots.

        Raises
        ------
        StorageFault : the disk does not take it; what came stays in the dotted folder.
        """
        self._complete()
        self._disk.end()
        self._disk.wait()
        self._captures.close()
        self._dialogue.close()
        self._dialogue.check()
        document = json.dumps(outcome_as_json(outcome), ensure_ascii=False, indent=1, allow_nan=False)
        for name, content in {OUTCOME: document.encode(), **(extra or {})}.items():
            with named_storage(self._unfinished / name):
                write_whole(self._unfinished / name, content)
        with named_storage(self._unfinished):
            for name in (CAPTURES, WIRE_LOG):
                sync_file(self._unfinished / name)
            folder = finish_folder(self._unfinished, self._parent, self._name, close=self._journal.close)
        self._is_kept = True
        self._held.let_go()
        attachments = tuple(replace(one, locate=(folder / ATTACHED).joinpath) for one in outcome.attachments)
        return replace(outcome, folder=folder, captures=KeptCaptures(folder / CAPTURES), attachments=attachments)

    def collected(self, outcome: Outcome) -> Mapping[str, CollectedShots] | None:
        """The captures of a finished outcome, as far as a logbook has them by now; None where it has not."""
        if self._collection is None:
            return None
        try:
            return self._collection.finish(outcome.captures)
        except StorageFault:
            self._abandon_collection()
            return None

    def _complete(self) -> None:
        """What the file of captures and the logbook's store still lack of the last shot."""
        if self._incomplete is None:
            return
        (label, capture), self._incomplete = self._incomplete, None
        self._captures.describe(capture)
        if self._collection is not None:
            try:
                self._collection.keep(label, capture)
            except StorageFault:  # the outcome is entered from the evidence then, or waits for its logbook
                self._abandon_collection()

    def _note(self, kind: str, content: Mapping[str, object]) -> None:
        self._dialogue.check()
        with named_storage(self._unfinished / JOURNAL):
            self._journal.write(kind, content)

    def _sync(self) -> None:
        """Few steps of Python: beside an evaluation each waits for the interpreter. Who writes looks for its faults."""
        with named_storage(self._unfinished):
            for handle in self._growing:
                sync_file(handle)

    def _abandon_collection(self) -> None:
        if self._collection is not None:
            self._collection.__exit__(None, None, None)
            self._collection = None


def folder_name(started: datetime, recipe: str, serial: str) -> str:
    """The name of a run's folder: letters, digits and `.+=-` of any language, and nothing that leads elsewhere."""
    words = (f"{started:%Y%m%dT%H%M%SZ}", recipe, serial or "no-serial")
    return "-".join(re.sub(r"[^\w.+=]+", "-", word).strip(".-") for word in words)


def finish_folder(unfinished: Path, parent: Path, name: str, *, close: Callable[[], None] = lambda: None) -> Path:
    """Give a dotted folder that has everything its name, with a number after it if a run of the same second has that.

    Parameters
    ----------
    close : lets go of the journal, which has done its duty and goes.

    Raises
    ------
    OSError : the disk does not take it.
    StorageFault : there are a thousand of that name.
    """
    sync_folder(unfinished)
    close()
    (unfinished / JOURNAL).unlink(missing_ok=True)
    for number in range(1, 1000):
        folder = within_reach(parent / (name if number == 1 else f"{name}-{number}"), ROOM_FOR_A_FILE)
        if folder.exists():
            continue
        try:
            put_in_place(unfinished, folder)
        except OSError:
            if not folder.exists():
                raise
            continue  # another run of the same second took the name in between
        sync_folder(parent)
        return folder
    raise StorageFault(f"no free folder name for {name}: 1000 are taken", where=str(parent))


def crc_of(codes: np.ndarray[Any, Any]) -> int:
    """The CRC-32 of codes as they lie in the file."""
    return zlib.crc32(np.ascontiguousarray(codes).data)


def _check_room(folder: Path, size: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < size:
        raise StorageFault(
            f"the records of this run take about {size / 1e6:.1f} MB, and {free / 1e6:.1f} MB are free",
            where=str(folder),
            do="free space, or name another folder with --out or --logbook",
        )
