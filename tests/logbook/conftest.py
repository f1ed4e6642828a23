from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.cli.conftest import wavewright  # noqa: F401  the command, as a fixture here too
from tests.example_outcome import example_outcome
from tests.logbook.postgresql import Server, programs
from wavewright.running.outcome import Outcome


@pytest.fixture
def outcome() -> Outcome:
    return example_outcome()


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server; the test is skipped, audibly, where its programs or the driver are not installed."""
    pytest.importorskip("psycopg", reason="NOT TESTED with PostgreSQL: the driver, `wavewright[postgres]`, is missing")
    folder = programs()
    if folder is None:
        pytest.skip("NOT TESTED with PostgreSQL: initdb and pg_ctl are not installed (Debian: `postgresql`)")
    made = Server(folder)
    yield made
    made.remove()
