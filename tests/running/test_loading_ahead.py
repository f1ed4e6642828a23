"""What is loaded beside the dialogue is there when it is waited for, whole, or ends the run before anything is set."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from wavewright.errors import WavewrightError
from wavewright.running.loading_ahead import LoadingAhead


@pytest.fixture
def loadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.syspath_prepend(str(tmp_path))
    yield tmp_path
    for path in tmp_path.glob("*.py"):
        sys.modules.pop(path.stem, None)


def test_the_first_modules_are_there_once_they_were_waited_for(loadable: Path) -> None:
    (loadable / "needed_first.py").write_text("")
    with LoadingAhead(first=["needed_first"]) as loading:
        assert "needed_first" not in sys.modules  # nothing is loaded before it begins
        loading.begin()
        loading.begin()
        loading.wait()
        assert "needed_first" in sys.modules
        assert "wavewright.running.measurement_sequence" in sys.modules


def test_nothing_is_half_loaded_after_the_block(loadable: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gate = SimpleNamespace(is_entered=threading.Event(), is_open=threading.Event())
    monkeypatch.setitem(sys.modules, "gate", gate)  # type: ignore[arg-type]
    (loadable / "needed_later.py").write_text("import gate\ngate.is_entered.set()\ngate.is_open.wait()\nhere = True\n")
    with LoadingAhead(later=["needed_later"]) as loading:
        loading.wait()
        assert gate.is_entered.wait(60)
        assert not hasattr(sys.modules["needed_later"], "here")
        gate.is_open.set()
    assert sys.modules["needed_later"].here


def test_one_that_cannot_be_loaded_ends_the_wait_with_one_line_and_what_to_do(loadable: Path) -> None:
    (loadable / "broken_first.py").write_text("raise ImportError('\\n\\nPlease read this.\\n\\nno such symbol: f\\n')")
    with LoadingAhead(first=["broken_first"]) as loading, pytest.raises(WavewrightError) as told:
        loading.wait()
    first, *rest = str(told.value).splitlines()
    assert first == "what the measurements need cannot be loaded: ImportError: no such symbol: f"
    assert [line.split(":")[0].strip() for line in rest] == ["do"]


def test_a_later_one_that_cannot_be_loaded_is_an_error_where_it_is_used(loadable: Path) -> None:
    (loadable / "broken_later.py").write_text("raise ImportError('half removed')")
    with LoadingAhead(later=["broken_later"]) as loading:
        loading.wait()
    # the block may have ended before it was tried; here it is used in any case
    with pytest.raises(ImportError, match="half removed"):
        import broken_later  # type: ignore[import-not-found]  # noqa: F401
