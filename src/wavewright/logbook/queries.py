"""Queries to the logbook: which runs there are, and how a reading went over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Integer, Select, bindparam, func, select

from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.declared_fields import declares
from wavewright.logbook.tables import GOLDEN_BATCH, microseconds, moment_of, outcomes, readings
from wavewright.logbook.word_pattern import means
from wavewright.nearest import did_you_mean


@dataclass(frozen=True, slots=True)
class Filter:
    """Which runs are meant; what is not given does not restrict.

    Parameters
    ----------
    part, serial, recipe, verdict, operator, station, batch : exactly that word; serial with `*` is a pattern.
    since, until : time of the run's start, UTC; until is not included.
    declared : declared fields by name, each as text, exactly that; with `*` it is a pattern.
    simulated : True: only runs on a simulated bench; False: only runs on real instruments.
    golden : False: no runs of golden units.
    """

    part: str | None = None
    serial: str | None = None
    recipe: str | None = None
    verdict: str | None = None
    operator: str | None = None
    station: str | None = None
    batch: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    simulated: bool | None = None
    declared: tuple[tuple[str, str], ...] = ()
    golden: bool | None = None

    def conditions(self) -> list[ColumnElement[bool]]:
        """The filter as conditions on the table of outcomes."""
        words = {name: getattr(self, name) for name in ("part", "recipe", "verdict", "operator", "station", "batch")}
        found: list[ColumnElement[bool]] = [
            outcomes.c[name] == word for name, word in words.items() if word is not None
        ]
        if self.serial is not None:
            found.append(means(outcomes.c.serial, self.serial))
        if self.since is not None:
            found.append(outcomes.c.started >= microseconds(self.since))
        if self.until is not None:
            found.append(outcomes.c.started < microseconds(self.until))
        if self.simulated is not None:
            found.append(outcomes.c.simulated == int(self.simulated))
        found += [declares(name, text) for name, text in self.declared]
        if self.golden is False:
            found.append(outcomes.c.batch != GOLDEN_BATCH)
        return found

    @property
    def is_by_time_only(self) -> bool:
        """Whether the index of readings alone can answer."""
        return not replace(self, since=None, until=None).conditions()


@dataclass(frozen=True, slots=True)
class RunEntry:
    """One run, as a list of runs shows it."""

    id: str
    started: datetime
    ended: datetime
    verdict: str
    title: str
    recipe: str
    part: str
    serial: str
    operator: str
    station: str
    batch: str
    simulated: bool = False

    def as_json(self) -> dict[str, Any]:
        """Plain words, times as ISO 8601."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        return {**plain, "started": self.started.isoformat(), "ended": self.ended.isoformat()}


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of one run; `value` is None where there was no number, `uncertainty` is that of the record."""

    outcome: str
    started: datetime
    serial: str
    value: float | None
    verdict: str | None
    low: float | None
    high: float | None
    operator: str = ""
    station: str = ""
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Bucket:
    """The readings of an interval of time together; `middle` is the mean of their times."""

    started: datetime
    middle: datetime
    count: int
    mean: float
    minimum: float
    maximum: float
    failed: int


@dataclass(frozen=True, slots=True)
class Trend:
    """How one reading went: buckets of equal time, in order, those without a number left out; `width` of one, s."""

    name: str
    unit: str
    count: int
    buckets: tuple[Bucket, ...]
    width: float = 0.0

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words, times as ISO 8601."""
        buckets = [
            {**asdict(bucket), "started": bucket.started.isoformat(), "middle": bucket.middle.isoformat()}
            for bucket in self.buckets
        ]
        return {"name": self.name, "unit": self.unit, "count": self.count, "width": self.width, "buckets": buckets}


def entries(book: Logbook, which: Filter | None = None, *, most: int | None = None) -> list[RunEntry]:
    """The runs that a filter leaves, newest first."""
    columns = [outcomes.c[name] for name in RunEntry.__slots__]
    query = select(*columns).where(*(which or Filter()).conditions())
    query = query.order_by(outcomes.c.started.desc(), outcomes.c.id.desc()).limit(most)
    with book.reading() as connection:
        rows = connection.execute(query).mappings().all()
    return [
        RunEntry(
            **{
                **row,
                "started": moment_of(row["started"]),
                "ended": moment_of(row["ended"]),
                "simulated": bool(row["simulated"]),
            }
        )
        for row in rows
    ]


def run_ids(book: Logbook, which: Filter | None = None) -> list[str]:
    """The ids of the runs that a filter leaves, oldest first."""
    query = select(outcomes.c.id).where(*(which or Filter()).conditions())
    with book.reading() as connection:
        return list(connection.execute(query.order_by(outcomes.c.started, outcomes.c.id)).scalars())


@dataclass(frozen=True, slots=True)
class Chosen:
    """A filter for a study, and how many runs on real instruments and on simulated benches it leaves.

    `left_out` : simulated runs that it would leave too, were there no real ones; `golden` : runs of golden units.
    """

    which: Filter
    real: int
    simulated: int
    left_out: int = 0
    golden: int = 0


def without_simulated(book: Logbook, which: Filter, *, keep: bool = False) -> Chosen:
    """The same filter without the runs on simulated benches, where it leaves runs on real instruments as well.

    Nor does it leave those of golden units, unless they are the batch that is asked for, or there are no others.

    Parameters
    ----------
    keep : take real and simulated ones together.
    """
    others, golden = _counts(book, replace(which, golden=False)), 0
    every = _counts(book, which)
    if which.batch is None and any(others.values()) and others != every:
        golden = sum(every.values()) - sum(others.values())
        which, every = replace(which, golden=False), others
    real, simulated = every.get(0, 0), every.get(1, 0)
    if keep or not real or not simulated:
        return Chosen(which, real, simulated, golden=golden)
    return Chosen(replace(which, simulated=False), real, 0, left_out=simulated, golden=golden)


def _counts(book: Logbook, which: Filter) -> dict[int, int]:
    """How many runs a filter leaves on real instruments (0) and on simulated benches (1)."""
    query = select(outcomes.c.simulated, func.count()).where(*which.conditions()).group_by(outcomes.c.simulated)
    with book.reading() as connection:
        return {row[0]: row[1] for row in connection.execute(query)}


def points(book: Logbook, name: str, which: Filter | None = None, *, most: int | None = None) -> list[Point]:
    """Every single reading of that name, oldest first; with `most`, the newest of them.

    Raises
    ------
    Misuse : no run has a reading of that name; names the nearest.
    """
    kept = [readings.c[key] for key in ("outcome", "started", "value", "verdict", "low", "high", "uncertainty")]
    query = (
        select(*kept, outcomes.c.serial, outcomes.c.operator, outcomes.c.station)
        .join(outcomes, outcomes.c.id == readings.c.outcome)
        .where(readings.c.name == name, *(which or Filter()).conditions())
        .order_by(readings.c.started.desc(), readings.c.outcome.desc())
        .limit(most)
    )
    with book.reading() as connection:
        rows = connection.execute(query).mappings().all()
        if not rows:
            _known(connection, name)
    return [Point(**{**row, "started": moment_of(row["started"])}) for row in reversed(rows)]


def trend(book: Logbook, name: str, which: Filter | None = None, *, buckets: int = 60) -> Trend:
    """A reading over time, joined into buckets by the database itself, from its index alone where the filter allows.

    Raises
    ------
    Misuse : no run has a reading of that name; names the nearest. Fewer than one bucket.
    """
    if buckets < 1:
        raise Misuse(f"{buckets} buckets", expected="at least 1")
    which = which or Filter()
    with book.reading() as connection:
        # two queries: the database answers each from one end of its index
        first, last = (
            connection.execute(_narrowed(select(end(readings.c.started)), name, which)).scalar_one()
            for end in (func.min, func.max)
        )
        if first is None:
            _known(connection, name)
            return Trend(name, "", 0, ())
        width = max(1, -(-(last - first + 1) // buckets))
        # one query per bucket, each one walk along the index; grouping them all in one would sort a million rows first
        query = _narrowed(
            select(
                func.count(readings.c.value).label("valued"),
                func.avg(readings.c.value).label("mean"),
                func.avg(readings.c.started - first).label("after"),
                func.min(readings.c.value).label("minimum"),
                func.max(readings.c.value).label("maximum"),
                func.sum((readings.c.verdict == "fail").cast(Integer)).label("failed"),
            ).where(readings.c.started >= bindparam("begin"), readings.c.started < bindparam("end")),
            name,
            which,
        )
        edges = range(first, last + width, width)
        rows = [(edge, connection.execute(query, {"begin": edge, "end": edge + width}).one()) for edge in edges]
        unit = connection.execute(select(readings.c.unit).where(readings.c.name == name).limit(1)).scalar_one()
    found = tuple(
        Bucket(
            moment_of(edge),
            moment_of(min(first + round(row.after), last)),  # over thousands of years the mean is rounded
            row.valued,
            row.mean,
            row.minimum,
            row.maximum,
            int(row.failed or 0),
        )
        for edge, row in rows
        if row.valued
    )
    return Trend(name, unit, sum(bucket.count for bucket in found), found, width / 1e6)


def reading_names(book: Logbook) -> Mapping[str, str]:
    """Every reading that any run has, with its unit, by name."""
    with book.reading() as connection:
        rows = connection.execute(
            select(readings.c.name, func.min(readings.c.unit).label("unit")).group_by(readings.c.name)
        )
        return {row.name: row.unit for row in rows}


def _narrowed(query: Select[Any], name: str, which: Filter) -> Select[Any]:
    query = query.where(readings.c.name == name)
    if not which.is_by_time_only:
        query = query.join_from(readings, outcomes, outcomes.c.id == readings.c.outcome)
        return query.where(*which.conditions())
    if which.since is not None:
        query = query.where(readings.c.started >= microseconds(which.since))
    if which.until is not None:
        query = query.where(readings.c.started < microseconds(which.until))
    return query


def _known(connection: Connection, name: str) -> None:
    """Do nothing if some run has the reading; else say which names there are."""
    names: Sequence[str] = connection.execute(select(readings.c.name).distinct()).scalars().all()
    if name in names:
        return
    raise Misuse(
        f"no run has a reading `{name}`",
        expected="a name such as `measurement.entry`" if not names else f"one of {', '.join(sorted(names)[:12])}",
        do=did_you_mean(name, names, most=3, alike=0.4),
    )
