"""The pages over a logbook: the logbook opened for reading alone, the server, and who may come in."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wavewright.errors import Misuse, StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.followed_logbook import FollowedLogbook
from wavewright.pages.line.admission import Admission, names_of_this_computer, read_networks
from wavewright.pages.line.line_app import line_app, line_files
from wavewright.pages.line.newest_runs import NewestRuns
from wavewright.pages.line.page_making import FOLDER, PageMaker
from wavewright.pages.page_app import new_token, page_assets
from wavewright.pages.page_server import HOST, listen, serving

LOOPBACK = ("127.0.0.1", "localhost", "::1")
SWITCH = 1e-3  # s that a page which is being made may keep those waiting that are made already
SHORTEST = 22  # characters of a token: 128 bits


@dataclass(frozen=True, slots=True)
class ServedAt:
    """Where the pages are served, and to whom.

    Parameters
    ----------
    host : address to listen on; port : 0 for any that is free.
    names : that browsers may call the server by, beside its own.
    token_file : with the token that a visitor needs; written if it is not there.
    proxy_header, proxies : header in which a proxy names who has signed in, and the addresses it calls from.
    opened : is given the address of the pages, once they are served.
    """

    host: str = HOST
    port: int = 0
    names: tuple[str, ...] = ()
    token_file: Path | None = None
    proxy_header: str = ""
    proxies: tuple[str, ...] = ()
    opened: Callable[[str], None] = lambda address: None


def serve_logbook(where: str | None, captures: str | None = None, served: ServedAt = ServedAt()) -> None:
    """Serve the pages until a signal ends it; nothing is ever written to the logbook.

    Raises
    ------
    StorageFault : the logbook cannot be read; Misuse : the port cannot be had, or options that do not go together.
    """
    token = _token(served)
    proxies = read_networks(served.proxies)
    with Logbook.existing(where, captures=captures, read_only=True) as book, listen(served.port, served.host) as socket:
        port = socket.getsockname()[1]
        own = names_of_this_computer() if served.host not in LOOPBACK else Admission(port).names
        admission = Admission(
            port, (*own, *(name.lower() for name in served.names)), token, served.proxy_header.lower(), proxies
        )
        followed = FollowedLogbook(book)
        followed.now()  # what is wrong with the logbook is said here, and not on the first page
        files = line_files(page_assets(FOLDER))
        maker = PageMaker(book, followed, files.addresses, clock=lambda: datetime.now(UTC))
        app = line_app(maker, NewestRuns(followed, time.monotonic), files, admission)
        sys.setswitchinterval(SWITCH)
        with serving(app, socket) as server, _readings_at_hand(followed):
            served.opened(_address(served, port, token))
            while server.is_on:
                threading.Event().wait(0.5)  # a signal ends it
    raise StorageFault("the server of the pages has ended")


@contextmanager
def _readings_at_hand(followed: FollowedLogbook) -> Iterator[None]:
    """Read the values of every characteristic and declared fields meanwhile: nobody has to wait for them later."""
    stop = threading.Event()

    def work() -> None:
        with suppress(StorageFault):  # who asks for them is told
            at = followed.now()
            for name in at.units:
                if stop.is_set():
                    return
                followed.readings(at, name)
            followed.declared(at)

    thread = threading.Thread(target=work, name="readings", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _token(served: ServedAt) -> str:
    """The token that visitors need; empty on the loopback interface, and where a proxy signs them in."""
    if bool(served.proxy_header) != bool(served.proxies):
        raise Misuse(
            "`--proxy-header` and `--proxy` go together",
            expected="the header that names who has signed in, and the addresses that the proxy calls from",
        )
    if served.proxy_header:
        if served.token_file is not None:
            raise Misuse("`--token-file` together with `--proxy-header`", expected="one of them")
        return ""
    if served.token_file is None:
        return "" if served.host in LOOPBACK else new_token()
    return kept_token(served.token_file)


def kept_token(file: Path) -> str:
    """The token in a file; a file that is not there is written, for its owner alone.

    Raises
    ------
    StorageFault : it cannot be read or written; Misuse : what is in it can be guessed.
    """
    try:
        if not file.exists():
            with open(file, "x", encoding="ascii", opener=_for_owner) as new:
                new.write(f"{new_token()}\n")
        token = file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as fault:
        raise StorageFault(f"the token cannot be read: {fault}", where=str(file)) from fault
    if len(token) < SHORTEST or not all(letter.isalnum() or letter in "-_" for letter in token):
        raise Misuse(
            f"the token in {file} is too short to keep anybody out, or not one",
            expected=f"at least {SHORTEST} letters, digits, `-` and `_`",
            do="delete the file: a new one is written",
        )
    return token


def _for_owner(path: str, flags: int) -> int:
    import os

    return os.open(path, flags, 0o600)


def _address(served: ServedAt, port: int, token: str) -> str:
    host = served.names[0] if served.names else served.host
    if host in ("0.0.0.0", "::"):
        host = names_of_this_computer()[-1]
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/" + (f"?token={token}" if token else "")
