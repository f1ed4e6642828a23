"""Least rights on a logbook in PostgreSQL: what a station needs to enter its runs, and an office to read them.

Of a station's user nothing can be changed or deleted that was entered, but for the head of its chain; who reads can
do nothing else. Laying out the tables, `prune` and `restore` are for the owner of the database.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy.dialects import postgresql

from wavewright.errors import Misuse
from wavewright.logbook import tables

# what each of a station's runs is inserted into; `heads` is moved along besides
ENTERED = (tables.texts, tables.outcomes, tables.readings, tables.captures, tables.links, tables.heads, tables.stores)
LONGEST = 63  # bytes of a name on a server as it is usually built (PostgreSQL 4.1.1)


def grants(database: str, *, stations: Sequence[str] = (), offices: Sequence[str] = ()) -> Iterator[str]:
    """SQL statements that give these users what they need and, of these tables, take what else they had.

    Parameters
    ----------
    database : its name; stations, offices : names of users that the server has already.

    Raises
    ------
    Misuse : a name that no server has, or one that is given for both.
    """
    dialect: Any = postgresql.dialect
    quote = dialect().identifier_preparer.quote_identifier
    for name in (*stations, *offices):
        if not name or "\0" in name or len(name.encode()) > LONGEST:
            raise Misuse(f"user `{name}`", expected=f"the name of a user of the server, 1 to {LONGEST} bytes")
    if both := sorted(set(stations) & set(offices)):
        raise Misuse(f"user `{both[0]}` is given as a station and as an office", expected="a user of its own for each")
    every = ", ".join(table.name for table in tables.metadata.sorted_tables)
    for user in (*stations, *offices):
        yield f"REVOKE ALL ON {every} FROM {quote(user)};"
        yield f"GRANT CONNECT ON DATABASE {quote(database)} TO {quote(user)};"
        yield f"GRANT USAGE ON SCHEMA public TO {quote(user)};"
        yield f"GRANT SELECT ON {every} TO {quote(user)};"
        if user in stations:
            yield f"GRANT INSERT ON {', '.join(table.name for table in ENTERED)} TO {quote(user)};"
            yield f"GRANT UPDATE ON {tables.heads.name} TO {quote(user)};"
