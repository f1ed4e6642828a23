"""Bringing an older logbook up to the layout of this version, step by step, in one transaction."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress

from sqlalchemy import Connection, inspect, select, update

from wavewright.errors import StorageFault
from wavewright.logbook.chain import CHUNK, take_up
from wavewright.logbook.rows import was_simulated
from wavewright.logbook.tables import answers, archive_queries, heads, links, metadata, outcomes, stores, versions

Step = Callable[[Connection], None]


def _first_layout(connection: Connection) -> None:
    metadata.create_all(connection)


def _batches(connection: Connection) -> None:
    """Layout 2: runs know the batch that they belong to. An empty database has it from the first step on."""
    if "batch" not in {column["name"] for column in inspect(connection).get_columns(outcomes.name)}:
        connection.exec_driver_sql("ALTER TABLE outcomes ADD COLUMN batch TEXT NOT NULL DEFAULT ''")
        connection.exec_driver_sql("CREATE INDEX outcomes_by_batch ON outcomes (batch, serial)")


def _chains(connection: Connection) -> None:
    """Layout 3: outcomes are chained, those that are there already from now on. Chains that are there stay."""
    for table in (links, heads):
        table.create(connection, checkfirst=True)
    if connection.execute(select(heads.c.station).limit(1)).first() is None:
        take_up(connection, coverage=1)


def _simulated(connection: Connection) -> None:
    """Layout 4: runs on a simulated bench are known as such, those that are there already by their documents."""
    if "simulated" in {column["name"] for column in inspect(connection).get_columns(outcomes.name)}:
        return
    connection.exec_driver_sql("ALTER TABLE outcomes ADD COLUMN simulated INTEGER NOT NULL DEFAULT 0")
    found = []
    query = select(outcomes.c.id, outcomes.c.document)
    for identifier, document in connection.execute(query, execution_options={"yield_per": 500}):
        with suppress(ValueError, KeyError, TypeError, AttributeError):  # `verify` says what is wrong with it
            if was_simulated(json.loads(document)):
                found.append(identifier)
    for first in range(0, len(found), CHUNK):
        some = outcomes.c.id.in_(found[first : first + CHUNK])
        connection.execute(update(outcomes).where(some).values(simulated=1))


def _stores(connection: Connection) -> None:
    """Layout 5: the logbook knows the stores that its captures are shared in."""
    stores.create(connection, checkfirst=True)


def _notes_of_the_line(connection: Connection) -> None:
    """Layout 6: notes of the line are links of their own kind, which are found without reading those of the runs."""
    connection.exec_driver_sql("CREATE INDEX IF NOT EXISTS links_by_kind ON links (kind, run)")


def _answers(connection: Connection) -> None:
    """Layout 7: answers about many runs or files are kept."""
    for table in (archive_queries, answers):
        table.create(connection, checkfirst=True)


# Step n brings layout n to layout n + 1; a released step is never changed again. Layout 0 is an empty database: for it
# the first step makes all the tables as they are now.
STEPS: tuple[Step, ...] = (_first_layout, _batches, _chains, _simulated, _stores, _notes_of_the_line, _answers)
NEWEST_LAYOUT = len(STEPS)  # `logbook_file.LAYOUT` is the same, for who cannot wait for SQLAlchemy


def bring_up_to_date(connection: Connection, *, where: str, steps: Sequence[Step] = STEPS) -> int:
    """Run the steps that are missing; returns the layout version that was found.

    Parameters
    ----------
    connection : inside a transaction that writes, so that two processes do not migrate at once.

    Raises
    ------
    StorageFault : a newer Wavewright wrote the logbook, or the database holds something else.
    """
    found = layout_version(connection, where=where)
    if found > len(steps):
        raise StorageFault(
            f"the logbook has layout {found}",
            where=where,
            expected=f"layout {len(steps)} at most",
            do="use the newer Wavewright that wrote it, or name another logbook",
        )
    for step in steps[found:]:
        step(connection)
    if found < len(steps):
        connection.execute(versions.delete())
        connection.execute(versions.insert().values(version=len(steps)))
    return found


def layout_version(connection: Connection, *, where: str) -> int:
    """Which layout a database has; 0 for an empty one.

    Raises
    ------
    StorageFault : there are tables, and they are not a logbook's.
    """
    names = inspect(connection).get_table_names()
    if versions.name not in names:
        if names:
            raise StorageFault(
                f"a database with the tables {', '.join(sorted(names)[:5])}",
                where=where,
                expected="a logbook, or an empty database",
                do="name another file with --logbook",
            )
        return 0
    return connection.execute(select(versions.c.version)).scalar_one_or_none() or 0
