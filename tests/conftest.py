"""Settings for the whole suite."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa
from hypothesis import settings

from tests.heeded_signals import heed_signals
from wavewright.instruments import bench as bench_module

settings.register_profile("wavewright", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("wavewright")
heed_signals()


WHOLE = 5000  # tests; fewer are a part of the suite
MOST_MARKED = 0.02
PATIENCE = 20_000  # ms; what a page does not show by then it will not show: nothing is judged by how long it takes
CHROMIUM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
QUIET = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Of the whole suite at most 2 % may be left out where there is no POSIX."""
    marked = sum(item.get_closest_marker("posix") is not None for item in items)
    if len(items) > WHOLE and marked > MOST_MARKED * len(items):
        raise pytest.UsageError(f"{marked} of {len(items)} tests are marked posix: {MOST_MARKED:.0%} is the most")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """What needs POSIX is left out elsewhere, and the reason said."""
    if os.name != "posix" and (marker := item.get_closest_marker("posix")):
        pytest.skip(f"needs POSIX: {marker.args[0]}")


@pytest.fixture(autouse=True)
def own_surroundings(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The user's logbook, and the locks of benches, are not the tests' to touch or to wait for; nor do lines of output
    end where those of the user's terminal do.
    """
    monkeypatch.delenv("COLUMNS", raising=False)
    own = tmp_path_factory.mktemp("own")
    monkeypatch.setenv("XDG_DATA_HOME", str(own))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(own))
    monkeypatch.setenv("WIN_PD_OVERRIDE_LOCAL_APPDATA", str(own))  # platformdirs' name for it on Windows


@pytest.fixture
def libraries(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The simulated libraries that a test opens, to ask the board and the devices themselves."""
    opened: list[Any] = []
    plain = bench_module.open_manager

    def recorded(*arguments: Any, **options: Any) -> pyvisa.ResourceManager:
        manager = plain(*arguments, **options)
        opened.append(manager.visalib)
        return manager

    monkeypatch.setattr(bench_module, "open_manager", recorded)
    return opened


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """One for the whole suite: a process holds one Playwright."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()
