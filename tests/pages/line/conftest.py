"""A logbook of a line, and the application over it, asked without a network."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.example_outcome import example_outcome
from tests.logbook.made_outcomes import START, outcome
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.followed_logbook import FollowedLogbook
from wavewright.pages.line.admission import Admission
from wavewright.pages.line.line_app import line_app, line_files
from wavewright.pages.line.newest_runs import NewestRuns
from wavewright.pages.line.page_making import FOLDER, PageMaker
from wavewright.pages.page_app import page_assets

PORT = 8204
NOW = datetime(2026, 3, 3, 12, tzinfo=UTC)
HOSTILE = "<script>alert('VC204')</script>"
FILES = line_files(page_assets(FOLDER))
Ask = Callable[..., TestClient]


def fill(book: Logbook) -> None:
    """Two days of two stations: on the second day a unit of the first is run again, and passes."""
    for day, station in ((0, "line_1"), (0, "line_2"), (1, "line_1")):
        made = [
            replace(
                outcome(n, serial=f"VC204-{day}{station[-1]}{n:02}", value=0.05 if n == 3 else 0.03),
                started=START + timedelta(days=day, minutes=n),
                ended=START + timedelta(days=day, minutes=n, seconds=4),
            )
            for n in range(8)
        ]
        book.enter_all(made, station=station, batch=f"lot-{7 + day}")
    again = START + timedelta(days=1, hours=1)
    book.enter(replace(outcome(0, serial="VC204-0103"), started=again, ended=again), station="line_2", batch="lot-8")
    book.enter(replace(example_outcome(), serial=HOSTILE), station=HOSTILE, batch="lot/9?&#")  # in January
    simulated = replace(outcome(0, serial="VC204-9000", seed=3), is_simulated=True, started=again, ended=again)
    book.enter(simulated, station="line_3", batch="rehearsal")


@pytest.fixture(scope="module")
def line_book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    where = tmp_path_factory.mktemp("line") / "line.sqlite"
    with Logbook(where) as book:
        fill(book)
    with Logbook.existing(where, read_only=True) as reader:
        yield reader


def client_of(
    book: Logbook, admission: Admission, *, address: str = "", clock: Callable[[], float] = lambda: 0.0
) -> TestClient:
    """A browser without a screen, at an application of that logbook."""
    followed = FollowedLogbook(book)
    maker = PageMaker(book, followed, FILES.addresses, clock=lambda: NOW)
    app = line_app(maker, NewestRuns(followed, clock), FILES, admission)
    return TestClient(app, base_url=address or f"http://127.0.0.1:{PORT}", follow_redirects=False)


@pytest.fixture(scope="module")
def page(line_book: Logbook) -> Iterator[TestClient]:
    with client_of(line_book, Admission(PORT)) as client:
        yield client


@pytest.fixture
def entered_later(tmp_path: Path) -> Iterator[tuple[Logbook, TestClient]]:
    """A logbook that is still written to, and the application over it, which asks it anew each time."""
    ticks = iter(range(10**6))
    with Logbook(tmp_path / "line.sqlite") as book:
        fill(book)
        with (
            Logbook.existing(book.where, read_only=True) as reader,
            client_of(reader, Admission(PORT), clock=lambda: 2.0 * next(ticks)) as client,
        ):
            yield book, client
