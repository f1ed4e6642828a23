"""Where the next rare path, damaged frame or doubtful reading is."""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.errors import Misuse
from wavewright.pages.page_requests import NextRequest
from wavewright.pages.protocol import FoundMessage
from wavewright.pages.seen_shots import SeenShot, SeenShots
from wavewright.pages.shown_results import frames_of, said
from wavewright.quantities import show_quantity


def next_place(wanted: NextRequest, shots: SeenShots, shown: SeenShot, *, simulated: bool) -> FoundMessage:
    """The first such place after a time; after the last one the first again.

    Parameters
    ----------
    shown : the shot that the page shows, in which frames and readings are looked for; rare paths are in all that are
        kept.

    Raises
    ------
    Misuse : there is none.
    """
    places = {"rare": _rare, "damaged": _damaged, "doubt": _doubtful}[wanted.what](shots, shown, simulated)
    found = sorted(places, key=lambda one: (one.shot, one.start))
    if not found:
        raise Misuse(_NOTHING[wanted.what])
    here = (shown.number, wanted.from_)
    return next((one for one in found if (one.shot, one.start) > here), found[0])


_NOTHING = {
    "rare": "no shot that is kept is on a rare path; `persistence: {rare: 100}` in the recipe says what is rare",
    "damaged": "no frame of this shot is damaged",
    "doubt": "no reading of this shot is in doubt at a certain place",
}


def _rare(shots: SeenShots, shown: SeenShot, simulated: bool) -> Iterator[FoundMessage]:
    counted = shots.persistence
    if counted is None or counted.density is None:
        return
    begin, end = counted.density.window
    width = (end - begin) / counted.density.columns
    for path in counted.rare_paths():
        if shots.kept(path.shot + 1) is not None:
            text = f"shot {path.shot + 1} is one of {path.visits} at {show_quantity(path.time, 's')}"
            yield FoundMessage(simulated, "rare", text, path.time - width / 2, path.time + width / 2, path.shot + 1)


def _damaged(shots: SeenShots, shown: SeenShot, simulated: bool) -> Iterator[FoundMessage]:
    for line, frame in frames_of(shown.measurement, shown.shot):
        if not frame.is_clean:
            yield FoundMessage(simulated, "damaged", f"{line}: {said(frame)}", frame.start, frame.end, shown.number)


def _doubtful(shots: SeenShots, shown: SeenShot, simulated: bool) -> Iterator[FoundMessage]:
    for name, reading in shown.readings.items():
        if reading.doubts and reading.at is not None:
            text = f"{name}: {', '.join(found.sentence for found in reading.doubted)}"
            yield FoundMessage(simulated, "doubt", text, reading.at, reading.at, shown.number)
