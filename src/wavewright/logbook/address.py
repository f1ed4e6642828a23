"""Where a logbook lies: the path of an SQLite file or the URL of a PostgreSQL database, and how others may read it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.default_location import usual_logbook
from wavewright.logbook.logbook_file import is_url, logbook_file
from wavewright.logbook.shown_address import SECRET_WORD, shown_address

SQLITE, POSTGRESQL = "sqlite", "postgresql"
FORMS = "a path, or a URL such as `postgresql://user@host/database` or `sqlite:///logbook.sqlite`"


@dataclass(frozen=True, slots=True)
class Address:
    """A logbook that was named.

    Parameters
    ----------
    url : of the database, with the password: not to be printed.
    shown : the same for people, logs and files: a path, or the URL without its password.
    captures : folder of the raw codes that goes with it.
    """

    url: URL
    shown: str
    captures: Path

    @property
    def is_file(self) -> bool:
        """Whether the database is an SQLite file."""
        return self.url.get_backend_name() == SQLITE

    @property
    def identity(self) -> str:
        """By what a logbook is distinguished from others: its whole path, or the URL without its password."""
        return str(Path(self.shown).absolute()) if self.is_file else self.shown

    def make_folder(self) -> None:
        """Make the folder of a file, if it is not there.

        Raises
        ------
        StorageFault : it cannot be made.
        """
        if not self.is_file:
            return
        folder = Path(self.shown).parent
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StorageFault(
                f"the folder of the logbook cannot be made: {fault.strerror}",
                where=shown_address(str(folder)),
                do="name another --logbook",
            ) from fault

    def without_secrets(self, text: str) -> str:
        """What a driver said, with the password taken out should it be in there."""
        in_query = [str(value) for name, value in self.url.query.items() if SECRET_WORD.match(f"?{name}=")]
        for secret in filter(None, (self.url.password, *in_query)):
            text = text.replace(str(secret), "***")
        return text


def read_address(where: str | Path | None) -> Address:
    """The address that a path or URL means; the user's own logbook for None.

    Raises
    ------
    Misuse : a URL that is none, or of a database that is neither SQLite nor PostgreSQL.
    """
    if isinstance(where, str) and is_url(where):
        url = _read_url(where)
        if url.get_backend_name() == POSTGRESQL:
            shown = shown_address(url.set(drivername=POSTGRESQL).render_as_string(hide_password=False))
            return Address(url, shown, usual_logbook().parent / "captures")
        if not url.database or url.database == ":memory:":
            raise Misuse(f"logbook `{shown_address(where)}` does not name a file", expected=FORMS)
        where = url.database
    file = logbook_file(where)
    return Address(URL.create(SQLITE, database=str(file.opened)), str(file.path), file.captures)


def whole_address(where: str | None) -> str:
    """The same logbook for a process in another folder: the whole path of a file, or the URL as it was given."""
    address = read_address(where)
    return str(where) if where is not None and not address.is_file else address.identity


def _read_url(where: str) -> URL:
    try:
        url = make_url(where)
        backend = url.get_backend_name()
    except (ArgumentError, ValueError):  # a port that is not a number is a ValueError; both repeat the URL: no cause
        raise Misuse(f"logbook `{shown_address(where)}`", expected=FORMS) from None
    if backend in (POSTGRESQL, "postgres"):
        return url.set(drivername="postgresql+psycopg")  # the one driver that is tried, and that the extra installs
    if backend == SQLITE:
        return url
    raise Misuse(f"logbook `{shown_address(where)}`: a database of the kind `{backend}`", expected=FORMS)
