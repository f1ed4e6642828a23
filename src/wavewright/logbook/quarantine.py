"""Units set apart: who may not be run, and counts as no good unit, until somebody releases it with a reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from wavewright.errors import Misuse
from wavewright.logbook.line_notes import LineNote, NoteKind, note_now
from wavewright.logbook.storable import check_words, shown, unstorable_serial

LONGEST_REASON = 1000  # bytes


def in_quarantine(notes: Iterable[LineNote]) -> dict[str, list[LineNote]]:
    """The units that are in quarantine, by serial number, each with the notes that put it there.

    A release names the notes that it lifts: one that a station with a slow clock wrote lifts no other.
    """
    notes = list(notes)
    lifted = {
        (str(serial), str(identifier))
        for note in notes
        if note.kind is NoteKind.RELEASE
        for serial, identifiers in note.says["lifts"].items()
        for identifier in identifiers
    }
    found: dict[str, list[LineNote]] = {}
    for note in notes:
        if note.kind is NoteKind.QUARANTINE:
            for serial in note.says["serials"]:
                if (serial, note.id) not in lifted:
                    found.setdefault(str(serial), []).append(note)
    return found


def set_apart(
    serials: Sequence[str],
    *,
    reason: str,
    station: str = "",
    operator: str = "",
    id: str = "",
    **more: str,
) -> LineNote:
    """The note that puts units into quarantine.

    Parameters
    ----------
    operator : who does it; empty where a rule of the recipe does.
    more : what else is to be known, such as the run that was the cause.

    Raises
    ------
    Misuse : no unit or no reason, or words that cannot be stored.
    """
    _check(serials, reason, operator)
    return note_now(
        NoteKind.QUARANTINE, station=station, operator=operator, id=id, serials=list(serials), reason=reason, **more
    )


def release(
    serials: Sequence[str],
    notes: Iterable[LineNote],
    *,
    reason: str,
    operator: str,
    station: str = "",
) -> LineNote:
    """The note that releases units from every quarantine that they are in.

    Raises
    ------
    Misuse : a unit that is in none; no reason, no operator.
    """
    _check(serials, reason, operator)
    if not operator.strip():
        raise Misuse("a release without a name", expected="`--operator NAME`: who answers for it")
    there = in_quarantine(notes)
    for serial in serials:
        if serial not in there:
            expected = f"one of {', '.join(sorted(there)[:12])}" if there else "a unit that is in quarantine: none is"
            raise Misuse(f"`{serial}` is not in quarantine", expected=expected)
    lifts = {serial: [note.id for note in there[serial]] for serial in serials}
    return note_now(NoteKind.RELEASE, station=station, operator=operator, lifts=lifts, reason=reason)


def told(note: LineNote) -> str:
    """Since when, by whom and why, in a line."""
    by = f"by {note.operator}" if note.operator else "by a rule of the recipe"
    return f"since {note.at:%Y-%m-%d %H:%M} UTC {by}: {note.says['reason']}"


def quarantine_words(found: Mapping[str, Sequence[LineNote]], serial: str) -> str:
    """Why a unit is in quarantine, all reasons in a line; empty where it is in none."""
    return "; ".join(told(note) for note in found.get(serial, ()))


def _check(serials: Sequence[str], reason: str, operator: str) -> None:
    if not serials or not all(serial.strip() for serial in serials):
        raise Misuse("no unit is named", expected="serial numbers")
    for serial in serials:
        if why := unstorable_serial(serial, recipe=""):
            raise Misuse(f"the serial number {shown(serial)} {why}", expected="that of a unit, as it is run")
    if not reason.strip():
        raise Misuse("no reason is given", expected="`--reason TEXT`")
    check_words({"operator's name": operator, **{f"serial number {n}": one for n, one in enumerate(serials, 1)}})
    check_words({"reason": reason}, longest=LONGEST_REASON)
