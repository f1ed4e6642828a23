"""Settings for the whole suite."""

from __future__ import annotations

import pytest
from hypothesis import settings

settings.register_profile("wavewright", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("wavewright")


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The user's logbook, and the locks of benches, are not the tests' to touch or to wait for."""
    own = tmp_path_factory.mktemp("own")
    monkeypatch.setenv("XDG_DATA_HOME", str(own))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(own))
