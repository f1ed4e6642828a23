"""The database of a logbook: connections, transactions, and what it says in our tree of errors.

Whoever writes has the logbook for itself while the transaction lasts, on SQLite and on PostgreSQL alike: what one
station read in a transaction that writes is still so when it commits.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from operator import itemgetter
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Dialect, Engine, Table, create_engine, event, insert
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.address import POSTGRESQL, Address
from wavewright.logbook.network_drive import is_on_network_drive
from wavewright.logbook.protected_file import ProtectedFile, is_protected

BUSY = 60.0  # s that one process waits for another's transaction
CONNECTING, SILENCE = 10.0, 30.0  # s until a server that does not answer is taken for absent
# s that a statement may bring nothing: one that writes waits for other writers first, a study reads for long
ENTERING, READING = BUSY + SILENCE, 600.0
COPIED = 100  # rows, from which on they go to a server as a stream
WRITES = "wavewright_writes"
PATIENCE = "wavewright_patience"  # s, of a connection that reads
TURN = 204_000_001  # names, on a server, the lock that a transaction which writes takes first; any number would do


class Database:
    """Connections to the database of a logbook.

    Parameters
    ----------
    read_only : the database refuses whatever would change it, and has to answer within `SILENCE`.

    Raises
    ------
    Misuse : the driver is not installed.
    """

    def __init__(self, address: Address, *, read_only: bool = False) -> None:
        self.address = address
        self._engine = _engine(address, read_only=read_only)
        isolation: dict[str, Any] = {} if address.is_file else {"isolation_level": "REPEATABLE READ"}
        if read_only and not address.is_file:
            isolation |= {"postgresql_readonly": True, PATIENCE: SILENCE}
        self._reader = self._engine.execution_options(**isolation)
        self._writer = self._engine.execution_options(**{WRITES: True})

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection on which everything read belongs to one moment."""
        with named_database(self.address), self._reader.connect() as connection:
            yield connection
            driver = connection.connection.driver_connection
            if isinstance(driver, ProtectedFile) and driver.has_changed():
                connection.invalidate()
                raise StorageFault(
                    "the logbook was written by somebody else or taken away while it was read where you cannot write",
                    where=self.address.shown,
                    do="read it again, or have write access to its folder",
                )

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that writes: all of it when the block ends well, nothing otherwise."""
        with named_database(self.address), self._writer.begin() as connection:
            yield connection


def insert_rows(connection: Connection, table: Table, rows: Iterable[Mapping[str, Any]], *, count: int) -> None:
    """Insert rows that have a value for every column.

    The statement goes to the driver as it is: no column of ours needs converting, and asking for each of a batch's
    hundred thousand rows takes as long as inserting them.

    Parameters
    ----------
    rows : many of them go to a server one by one as they are made, so that it works on those that it has meanwhile.
    count : how many rows there are, or about that.
    """
    values = map(itemgetter(*table.columns.keys()), rows)
    if connection.dialect.name == POSTGRESQL and count >= COPIED:
        _copy_rows(connection, table, values)
    elif found := list(values):
        statement, is_positional = _insertion(table, connection.dialect)
        names = table.columns.keys()
        connection.exec_driver_sql(
            statement, found if is_positional else [dict(zip(names, row, strict=True)) for row in found]
        )


@cache
def _insertion(table: Table, dialect: Dialect) -> tuple[str, bool]:
    """The statement, and whether the driver counts its parameters or knows them by name."""
    compiled = insert(table).compile(dialect=dialect, column_keys=table.columns.keys())
    return str(compiled), compiled.positiontup is not None


def _copy_rows(connection: Connection, table: Table, rows: Iterable[tuple[Any, ...]]) -> None:
    """Send rows as one stream: each of them as a statement of its own takes several times as long."""
    quote = connection.dialect.identifier_preparer.quote
    statement = f"COPY {quote(table.name)} ({', '.join(map(quote, table.columns.keys()))}) FROM STDIN"
    driver: Any = connection.connection.driver_connection
    library: Any = connection.dialect.dbapi
    try:
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)
    except library.Error as fault:
        raise DBAPIError(statement, None, fault) from fault


@contextmanager
def named_database(address: Address) -> Iterator[None]:
    """Turn what SQLAlchemy raises into our tree; the original stays as the cause."""
    try:
        yield
    except (SQLAlchemyError, UnicodeDecodeError) as fault:  # the second of a damaged file, out of sqlite3 itself
        said = " ".join(address.without_secrets(str(getattr(fault, "orig", None) or fault)).split())
        raise StorageFault(
            f"the logbook cannot be used: {said}",
            where=address.shown,
            do="check the disk and the permission to write there, or name another logbook with --logbook"
            if address.is_file
            else "check that the server runs and accepts this user, or name another logbook with --logbook",
        ) from fault


def _engine(address: Address, *, read_only: bool = False) -> Engine:
    if address.is_file:
        engine = create_engine(address.url, connect_args={"timeout": BUSY})
        event.listen(engine, "do_connect", _connect_to_read if read_only else _connect_to_file)
        event.listen(engine, "connect", _set_up_reader if read_only else _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        engine = create_engine(address.url, pool_pre_ping=True, connect_args=_patience(address))
    except ImportError as fault:
        raise Misuse(
            f"logbook `{address.shown}`: the driver for PostgreSQL is not installed",
            do="install `wavewright[postgres]`: pip install 'wavewright[postgres]'",
        ) from fault
    event.listen(engine, "do_connect", _connect_patiently)
    event.listen(engine, "checkin", _answer_soon)
    event.listen(engine, "begin", _begin_postgresql)
    return engine


def _answer_soon(connection: Any, record: object) -> None:
    """Before it is used again a connection is asked whether it still lives: that has to be answered at once."""
    if connection is not None:
        connection.patience = SILENCE


def _connect_patiently(dialect: object, record: object, arguments: list[Any], options: dict[str, Any]) -> Any:
    from wavewright.logbook.patient_connection import PatientConnection

    return PatientConnection.connect(*arguments, **options)


def _patience(address: Address) -> dict[str, Any]:
    """How long a server may be silent, for what the URL does not say itself (libpq's own words)."""
    ours = {
        "connect_timeout": int(CONNECTING),
        "keepalives_idle": int(CONNECTING),
        "keepalives_interval": 5,
        "keepalives_count": 4,
        "tcp_user_timeout": int(1000 * SILENCE),
        "options": f"-c lock_timeout={int(1000 * BUSY)}",
        "application_name": "wavewright",
    }
    return {name: value for name, value in ours.items() if name not in address.url.query}


def _connect_to_file(dialect: object, record: object, arguments: list[Any], options: dict[str, Any]) -> Any:
    """A connection for reading alone where the file cannot be written; None: the usual one."""
    file = Path(arguments[0])
    return ProtectedFile.connect(file, options) if is_protected(file, options) else None


def _connect_to_read(dialect: object, record: object, arguments: list[Any], options: dict[str, Any]) -> Any:
    """A connection that SQLite itself refuses every change; it does not even fold the log of a writer into the file."""
    file = Path(arguments[0])
    connection = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, **options)
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        if is_protected(file, options):
            return ProtectedFile.connect(file, options)
        raise
    return connection


def _set_up_reader(connection: Any, record: object) -> None:
    connection.isolation_level = None
    connection.execute("PRAGMA query_only = ON")


def _set_up_sqlite(connection: Any, record: object) -> None:
    connection.isolation_level = None  # the driver would begin transactions by itself, and too late
    if not isinstance(connection, ProtectedFile):
        _keep_journal(connection)
    for pragma in ("foreign_keys = ON", "synchronous = FULL", "fullfsync = ON"):  # the last as in `durable_files`
        connection.execute(f"PRAGMA {pragma}")


def _keep_journal(connection: sqlite3.Connection) -> None:
    """A log that is written ahead, or a rollback journal on a network drive; whoever is first changes a file's.

    SQLite answers at once that the file is locked, whatever its time-out says, where two change it at the same time.
    """
    _, _, file = connection.execute("PRAGMA database_list").fetchone()
    journal = "DELETE" if file and is_on_network_drive(Path(file)) else "WAL"
    end = time.monotonic() + BUSY
    while True:
        try:
            connection.execute(f"PRAGMA journal_mode = {journal}")
        except sqlite3.OperationalError as fault:
            if fault.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
                return  # whoever only reads goes on, whoever writes is told so then
            if "locked" not in str(fault) or time.monotonic() > end:
                raise
            time.sleep(0.01)
        else:
            return


def _begin_sqlite(connection: Connection) -> None:
    """A transaction that will write asks for the lock at once: one that asked late would have to start again."""
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get(WRITES) else "BEGIN")


def _begin_postgresql(connection: Connection) -> None:
    """One writer after another, from the first statement on: also for laying out the tables of an empty database."""
    writes = bool(connection.get_execution_options().get(WRITES))
    driver: Any = connection.connection.driver_connection
    driver.patience = ENTERING if writes else connection.get_execution_options().get(PATIENCE, READING)
    if writes:
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({TURN})")
