"""Runs that were cut off: what a kill, a power failure or a full disk has left of them, found, entered or cleared.

The dotted folder of such a run has a journal, the wire log up to its last message, and the codes of every shot in the
file of captures, at the places that the journal says; the file as such may be damaged. `recover` makes evidence of it
like that of any other run, with the verdict `error`.
"""

from __future__ import annotations

import json
import re
import shutil
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from wavewright.durable_files import put_in_place, sync_file, write_whole
from wavewright.errors import StorageFault, WavewrightError
from wavewright.logbook.captures import CaptureFile
from wavewright.logbook.evidence import finish_folder
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.logbook.held_folder import remove_left_locks, taken_over
from wavewright.logbook.journal import read_journal
from wavewright.logbook.outcome_files import (
    CAPTURES,
    JOURNAL,
    OUTCOME,
    WIRE_LOG,
    measurement_from_json,
    outcome_as_json,
    outcome_from_json,
)
from wavewright.logbook.rows import recipe_name
from wavewright.logbook.stored_shots import described_capture
from wavewright.path_length import ROOM_FOR_A_FILE, within_reach
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.stored_recipe import parse_stored_recipe
from wavewright.running.evaluation import evaluate
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, broken_off
from wavewright.running.shot import ExaminedShot
from wavewright.running.stored_waveforms import ReferenceWaveforms
from wavewright.waveform import Capture

CUT_OFF = "the run was cut off: it was killed, or the power or the disk failed; outputs were not switched off by it"
_NAME = re.compile(r"\.\d{8}T\d{6}Z-.*\.\w+$")
_RECOVERED = "recovered.h5"  # the captures again, until they take the place of the damaged file


@dataclass(frozen=True, slots=True)
class Unfinished:
    """One run that has no outcome yet.

    Parameters
    ----------
    started : UTC; None, as recipe and serial are empty, where not even the beginning was written.
    shots : how many are on the disk.
    is_alive : it is still on.
    """

    folder: Path
    started: datetime | None
    recipe: str
    serial: str
    shots: int
    is_alive: bool

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        started = None if self.started is None else self.started.isoformat()
        plain = {"folder": str(self.folder), "started": started, "recipe": self.recipe, "serial": self.serial}
        return {**plain, "shots": self.shots, "alive": self.is_alive}


@dataclass(frozen=True, slots=True)
class Cleared:
    """What went, or would: dotted folders, and bytes; `kept` have shots that no logbook has yet."""

    folders: int = 0
    size: int = 0
    kept: int = 0


@dataclass(slots=True)
class _Story:
    """What a journal says."""

    begin: Outcome | None = None
    ended: datetime | None = None
    identities: Mapping[str, str] = field(default_factory=dict)
    measured: dict[str, MeasurementOutcome] = field(default_factory=dict)
    shots: dict[str, list[dict[str, Any]]] = field(default_factory=dict)


def unfinished(parent: Path) -> list[Unfinished]:
    """Every run below a folder of outcomes that has no outcome yet, the oldest first."""
    found = []
    for folder in _dotted(parent):
        with taken_over(folder) as is_left:
            story = _story(folder)
            begin = story.begin
            found.append(
                Unfinished(
                    folder,
                    begin.started if begin is not None else None,
                    recipe_name(begin.recipe.file) if begin is not None else "",
                    begin.serial if begin is not None else "",
                    sum(len(shots) for shots in story.shots.values()),
                    not is_left,
                )
            )
    return sorted(found, key=lambda one: one.folder.name)


def recover(path: Path) -> list[Path]:
    """Make evidence of what was cut off: in a dotted folder, or in all that a folder of outcomes has.

    Runs that are still on are left alone, and so are those that had not sent a message. Killed itself, it is repeated.

    Returns
    -------
    The folders, under their own names.

    Raises
    ------
    StorageFault : the disk does not take or give what it should.
    """
    path = within_reach(path, ROOM_FOR_A_FILE)
    folders = [path] if _is_dotted_run(path) else list(_dotted(path))
    made = [folder for one in folders if (folder := _recovered(one)) is not None]
    return made


def clear(parent: Path, *, with_shots: bool = False, dry: bool = False) -> Cleared:
    """Delete the dotted folders that runs have left.

    Parameters
    ----------
    with_shots : those too in which shots lie that `recover` would save.
    dry : only count.

    Raises
    ------
    StorageFault : a folder cannot be deleted.
    """
    gone, size, kept = 0, 0, 0
    for folder in _dotted(parent):
        with taken_over(folder) as is_left, _named(folder):
            if not is_left:
                continue
            if not with_shots and ((folder / OUTCOME).exists() or _story(folder).shots):
                kept += 1
                continue
            gone, size = gone + 1, size + sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
            if not dry:
                shutil.rmtree(folder)
    if not dry and parent.is_dir():
        remove_left_locks(parent)
    return Cleared(gone, size, kept)


def _dotted(parent: Path) -> Iterator[Path]:
    found = (within_reach(path, ROOM_FOR_A_FILE) for path in sorted(parent.glob(".*")))
    return (path for path in found if _is_dotted_run(path))


def _is_dotted_run(path: Path) -> bool:
    return _NAME.match(path.name) is not None and path.is_dir()


def _recovered(folder: Path) -> Path | None:
    name = folder.name[1:].rpartition(".")[0]
    with taken_over(folder) as is_left, _named(folder):
        if not is_left:
            return None
        is_whole = (folder / OUTCOME).exists() and not (folder / _RECOVERED).exists()
        if not is_whole:
            story = _story(folder)
            if story.begin is None or not _has_spoken(folder):
                return None
            _rebuild(folder, story)
        return finish_folder(folder, folder.parent, name)


def _has_spoken(folder: Path) -> bool:
    """Whether anything passed between the run and the instruments; without, there is nothing to keep."""
    return (folder / WIRE_LOG).read_bytes().count(b"\n") > 1


def _rebuild(folder: Path, story: _Story) -> None:
    """Captures and outcome out of the journal; every step can be repeated after a kill."""
    recovered = folder / _RECOVERED
    recovered.unlink(missing_ok=True)
    file = CaptureFile(recovered)
    for label in story.shots:
        for shot in _captures(folder, story, label):
            file.keep(label, shot)
    file.close()
    sync_file(recovered)
    _cut_torn_line(folder / WIRE_LOG)
    document = json.dumps(outcome_as_json(_outcome(folder, story)), ensure_ascii=False, indent=1, allow_nan=False)
    write_whole(folder / OUTCOME, document)
    put_in_place(recovered, folder / CAPTURES)


def _outcome(folder: Path, story: _Story) -> Outcome:
    assert story.begin is not None  # who calls has seen to it
    begin = replace(story.begin, ended=story.ended or story.begin.ended, identities=story.identities, error=CUT_OFF)
    cut = {label: shots for label, shots in story.shots.items() if label not in story.measured}
    again: dict[str, MeasurementOutcome] = {}
    if cut:
        recipe = parse_stored_recipe(begin.recipe.text, begin.recipe.file, set=begin.parameters)
        references = ReferenceWaveforms(recipe, read_stored=read_stored)
        for measurement in recipe:
            if measurement.label in cut:
                again[measurement.label] = _evaluated(folder, story, measurement, references)
            elif first := next(_captures(folder, story, measurement.label), None):
                references.offer(measurement, ExaminedShot(first, measurement))
    return replace(begin, measurements=(*story.measured.values(), *again.values()))


def _evaluated(
    folder: Path, story: _Story, measurement: Measurement, references: ReferenceWaveforms
) -> MeasurementOutcome:
    """The measurement that was on: what its shots say; all of them may be there."""
    described = story.shots[measurement.label]
    taken, wanted = len(described), measurement.shots
    captures = _captures(folder, story, measurement.label)
    is_cut_short = taken < wanted
    error = broken_off("the run was cut off", taken, wanted) if is_cut_short else ""
    try:
        results = evaluate(measurement, captures, references=references, is_cut_short=is_cut_short)
    except WavewrightError as fault:
        results, error = (), str(fault)
    return MeasurementOutcome(
        measurement.name,
        measurement.condition,
        measurement.place or "",
        read_back=described[-1]["described"]["settings"],
        shots=taken,
        results=results,
        error=error,
    )


def _captures(folder: Path, story: _Story, label: str) -> Iterator[Capture]:
    """The shots of a measurement, one after the other, from the places that the journal says."""
    path = folder / CAPTURES
    shots = story.shots.get(label, ())
    if not shots:
        return
    with path.open("rb") as file:
        for shot in shots:
            codes = {name: _codes(file, where) for name, where in shot["codes"].items()}
            yield described_capture(shot["described"], codes.__getitem__)


def _codes(file: Any, where: Mapping[str, Any]) -> np.ndarray[Any, Any]:
    kind = np.dtype(where["type"])
    if where["at"] < 0:
        return np.empty(0, kind)
    file.seek(where["at"])
    return np.frombuffer(file.read(where["count"] * kind.itemsize), kind)


def _is_there(file: Any, shot: Mapping[str, Any]) -> bool:
    """Whether all codes of a shot are what they were when it was kept."""
    return all(where["at"] < 0 or zlib.crc32(_read(file, where)) == where["crc"] for where in shot["codes"].values())


def _read(file: Any, where: Mapping[str, Any]) -> bytes:
    file.seek(where["at"])
    content: bytes = file.read(where["count"] * np.dtype(where["type"]).itemsize)
    return content


def _story(folder: Path) -> _Story:
    """The journal of a folder, and of its shots those whose codes are on the disk."""
    story = _Story()
    entries = list(read_journal(folder / JOURNAL))
    captures = folder / CAPTURES
    for entry in entries:
        story.ended = entry.at
        if entry.kind == "begin":
            story.begin = outcome_from_json(entry.content)
        elif entry.kind == "identities":
            story.identities = entry.content
        elif entry.kind == "measured":
            one = measurement_from_json(entry.content)
            story.measured[one.label] = one
        elif entry.kind == "shot":
            story.shots.setdefault(entry.content["label"], []).append(entry.content)
    if story.shots:
        with captures.open("rb") as file:
            story.shots = {label: _whole(file, shots) for label, shots in story.shots.items()}
        story.shots = {label: shots for label, shots in story.shots.items() if shots}
    return story


def _whole(file: Any, shots: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The shots up to the first whose codes are not on the disk."""
    count = next((number for number, shot in enumerate(shots) if not _is_there(file, shot)), len(shots))
    return list(shots[:count])


def _cut_torn_line(path: Path) -> None:
    """Take the end of a wire log off that is not a whole line."""
    with path.open("rb+") as file:
        end = file.seek(0, 2)
        while end and (file.seek(end - 1), file.read(1))[1] != b"\n":
            end -= 1
        file.truncate(end)


@contextmanager
def _named(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise StorageFault(
            f"the files that a run has left cannot be processed: {fault.strerror or fault}",
            where=str(fault.filename or folder),
            do="free space, or get permission to read and write there",
        ) from fault
