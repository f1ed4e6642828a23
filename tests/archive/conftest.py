from __future__ import annotations

from pathlib import Path

import pytest

from tests.archive.made_archive import made_archive
from tests.breaking_off.test_full_disk import disk  # noqa: F401  a fixture here too
from tests.cli.conftest import wavewright  # noqa: F401  the command, as a fixture here too
from tests.logbook.conftest import server  # noqa: F401


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook of 70 runs; nobody changes it."""
    return made_archive(tmp_path_factory.mktemp("archive") / "line.sqlite", 70)
