"""Golden units: whether a station may begin a batch, and what came out when it measured them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from wavewright.judgement.verdict import Verdict
from wavewright.logbook.line_notes import LineNote, NoteKind, note_now
from wavewright.quantities import show_quantity
from wavewright.recipe.golden_units import GoldenCheck, GoldenUnit, KnownAs, expected_interval
from wavewright.recipe.recipe import Recipe
from wavewright.running.outcome import Outcome

SLACK = 5.0  # s; clocks of a station and of what it wrote a moment ago


@dataclass(frozen=True, slots=True)
class GoldenPlace:
    """Where a golden measurement holds: another station, bench, recipe or parameter needs its own.

    Parameters
    ----------
    recipe_sha256, bench_sha256 : of the files as they are now; parameters : of the recipe, by name.
    simulated : a simulated bench says nothing about a real one.
    """

    station: str
    recipe: str
    recipe_sha256: str
    bench_sha256: str
    simulated: bool
    parameters: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, recipe: Recipe, *, bench_sha256: str, station: str, simulated: bool) -> GoldenPlace:
        """That of a recipe on a bench."""
        return cls(station, recipe.name, recipe.sha256, bench_sha256, simulated, dict(recipe.parameters))

    def as_json(self) -> dict[str, Any]:
        """As a note has it."""
        return {
            "recipe": self.recipe, "recipe_sha256": self.recipe_sha256, "bench_sha256": self.bench_sha256,
            "simulated": self.simulated, "parameters": dict(self.parameters),
        }  # fmt: skip

    def differs(self, note: LineNote) -> str:
        """In what a golden measurement is of another place, as the end of a sentence; empty where it is of this one."""
        ours = self.as_json()
        for what, words in (
            ("simulated", "on a simulated bench" if note.says["simulated"] else "on real instruments"),
            ("recipe_sha256", "with another revision of the recipe"),
            ("parameters", "with other parameters"),
            ("bench_sha256", "with another bench file"),
        ):
            if note.says[what] != ours[what]:
                return words
        return "" if note.station == self.station else f"at station `{note.station}`"


@dataclass(frozen=True, slots=True)
class GoldenDue:
    """A golden unit that has to be measured, and why."""

    serial: str
    unit: GoldenUnit
    why: str

    @property
    def told(self) -> str:
        """What the operator is to do."""
        place = f" ({self.unit.place})" if self.unit.place else ""
        return f"GOLDEN UNIT: put in {self.serial}{place}, known to be {self.unit.known}; {self.why}"


def unexpected(outcome: Outcome, unit: GoldenUnit) -> list[str]:
    """What a golden unit did not read as it is known; empty where all is as expected."""
    wanted = Verdict.PASS if unit.known is KnownAs.GOOD else Verdict.FAIL
    found = []
    if outcome.verdict is not wanted:
        found.append(f"the verdict is {outcome.verdict}, expected {wanted} of a unit known to be {unit.known}")
    for name, text in unit.expect.items():
        result = outcome.results.get(str(name))
        if result is None or result.reading.value is None:
            found.append(f"{name} has no value, expected {text}")
            continue
        interval = expected_interval(text, result.reading.unit)
        shown = show_quantity(result.reading.value, result.reading.unit)
        if result.verdict is Verdict.INCONCLUSIVE:
            found.append(f"{name} is {shown}, inconclusive: {result.reason}")
        elif not interval.low <= result.reading.value <= interval.high:
            found.append(f"{name} is {shown}, expected {text}")
    return found


def golden_note(outcome: Outcome, unit: GoldenUnit, place: GoldenPlace) -> LineNote:
    """What is noted of a golden unit that was measured; of a run on another kind of bench than the place's too."""
    wrong = unexpected(outcome, unit)
    readings = {
        str(name): {"value": result.reading.value, "unit": result.reading.unit, "expected": str(text)}
        for name, text in unit.expect.items()
        if (result := outcome.results.get(str(name))) is not None
    }
    says = {**place.as_json(), "simulated": outcome.is_simulated}
    return note_now(
        NoteKind.GOLDEN, station=place.station, operator=outcome.operator, serial=outcome.serial, run=outcome.id,
        known=str(unit.known), started=outcome.started.isoformat(), verdict=str(outcome.verdict),
        as_expected=not wrong, unexpected=wrong, readings=readings, identities=dict(outcome.identities), **says,
    )  # fmt: skip


def last_as_expected(
    notes: Iterable[LineNote], serial: str, *, station: str, recipe: str | None = None, simulated: bool | None = None
) -> LineNote | None:
    """The newest note of a golden unit that read at a station as expected; None where there is none.

    Parameters
    ----------
    recipe, simulated : with which recipe, and whether on a simulated bench; any if None.
    """
    found = [
        note
        for note in notes
        if note.kind is NoteKind.GOLDEN
        and note.station == station
        and note.says["serial"] == serial
        and note.says["as_expected"]
        and recipe in (None, note.says["recipe"])
        and simulated in (None, note.says["simulated"])
    ]
    return max(found, key=lambda note: note.at, default=None)


class GoldenDuty:
    """Which golden units a station has to measure now.

    Parameters
    ----------
    check : what the recipe says; place : where it is to hold.
    now : UTC; running : a clock that nobody sets, s. What was measured in this session is judged by it.
    """

    def __init__(
        self,
        check: GoldenCheck,
        place: GoldenPlace,
        *,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        running: Callable[[], float] = time.monotonic,
    ) -> None:
        self._check, self._place, self._now, self._running = check, place, now, running
        self._session: dict[str, tuple[float, bool]] = {}

    def measured(self, serial: str, *, as_expected: bool) -> None:
        """A golden unit was measured just now."""
        self._session[serial] = (self._running(), as_expected)

    def other_instruments(self, outcome: Outcome, notes: Iterable[LineNote]) -> str:
        """Which instruments of a unit's run are not those that measured the golden units; empty where all are."""
        for serial in self._check.units:
            last = last_as_expected(
                notes, str(serial), station=self._place.station, recipe=self._place.recipe,
                simulated=outcome.is_simulated,
            )  # fmt: skip
            before = {} if last is None else last.says["identities"]
            for role, identity in outcome.identities.items():
                if last is not None and before.get(role, "") != identity:
                    return (
                        f"{role} is `{identity}`, golden unit {serial} was measured with `{before.get(role, 'none')}`"
                    )
        return ""

    def renounce(self, outcome: Outcome, why: str) -> list[LineNote]:
        """The notes by which no earlier golden measurement counts any more, and all are due."""
        self._session = {str(serial): (self._running(), False) for serial in self._check.units}
        return [
            note_now(
                NoteKind.GOLDEN, station=self._place.station, operator=outcome.operator, serial=str(serial),
                run=outcome.id, known=str(unit.known), started=outcome.started.isoformat(), verdict="", readings={},
                as_expected=False, unexpected=[why], identities=dict(outcome.identities), **self._place.as_json(),
            )
            for serial, unit in self._check.units.items()
        ]  # fmt: skip

    def due(self, notes: Iterable[LineNote], newest: datetime | None) -> list[GoldenDue]:
        """The units that have to be measured before the next one, known good ones first.

        Parameters
        ----------
        notes : of the logbook, as far as they are known here.
        newest : start of the newest run of this station; None where there is none.
        """
        kept = [note for note in notes if note.kind is NoteKind.GOLDEN]
        times = [note.at for note in notes if note.station == self._place.station]
        latest = max([*times, *([] if newest is None else [newest])], default=None)
        found = [
            GoldenDue(serial, unit, why)
            for serial, unit in self._check.units.items()
            if (why := self._why(str(serial), kept, latest))
        ]
        return sorted(found, key=lambda one: one.unit.known is KnownAs.BAD)

    def _why(self, serial: str, kept: list[LineNote], latest: datetime | None) -> str:
        if serial in self._session:
            at, as_expected = self._session[serial]
            if not as_expected:
                return "it did not read as expected"
            hours = (self._running() - at) / 3600
            return "" if hours * 3600 <= self._check.every else f"it was measured {hours:.1f} h ago"
        own = [note for note in kept if note.says["serial"] == serial]
        here = [note for note in own if not self._place.differs(note)]
        if not here:
            return "it was never measured" + (f" here, only {self._place.differs(own[-1])}" if own else "")
        last, now = here[-1], self._now()
        if latest is not None and (latest - now).total_seconds() > SLACK:
            return f"the clock of this computer, {now:%Y-%m-%d %H:%M} UTC, is before the newest entry of the station"
        if not last.says["as_expected"]:
            return f"it did not read as expected at {last.at:%Y-%m-%d %H:%M} UTC"
        age = (now - last.at).total_seconds()
        return "" if age <= self._check.every else f"it was measured {age / 3600:.1f} h ago, at {last.at:%H:%M} UTC"
