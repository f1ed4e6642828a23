"""`bench list`, `run` and `validate` say which VISA library is taken where the bench file names none."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path

import pytest
from pyvisa.ctwrapper.highlevel import IVIVisaLibrary

from tests.cli.conftest import Spoken
from wavewright.simulation.server.serving import BenchServer

ROOT = Path(__file__).parents[2]
TAKEN = f"VISA library: PyVISA-py {version('pyvisa-py')}\n"


@pytest.fixture(autouse=True)
def _none_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(IVIVisaLibrary, "get_library_paths", staticmethod(tuple))


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "bench.yaml"
    resource = "TCPIP0::127.0.0.1::1::SOCKET"
    path.write_text(f'wavewright-bench: 1\ninstruments:\n  meter: {{resource: "{resource}", profile: scpi-meter}}\n')
    return path


def test_validate_says_what_would_be_loaded(bench: Path, wavewright: Callable[..., Spoken]) -> None:
    told = wavewright("validate", bench)
    assert "the native VISA library of this machine, if it has one, which is executed; else PyVISA-py" in told.stdout


@pytest.mark.parametrize("words", [["list"], ["scan", "TCPIP0::127.0.0.1::1::SOCKET"]])
def test_list_and_scan_say_it(words: Sequence[str], bench: Path, wavewright: Callable[..., Spoken]) -> None:
    assert wavewright("bench", *words).stderr.startswith(TAKEN)
    assert wavewright("bench", *words, "--bench", bench).stderr.startswith(TAKEN)
    assert TAKEN not in wavewright("bench", *words, "--library", "@py").stderr


def test_a_run_says_it(tmp_path: Path, wavewright: Callable[..., Spoken], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with BenchServer(ROOT / "sim/bench.yaml") as server:
        server.write_bench(tmp_path / "served.yaml")
        text = (tmp_path / "served.yaml").read_text(encoding="utf-8")
        (tmp_path / "served.yaml").write_text(text.replace("library: '@py'\n", ""), encoding="utf-8")
        told = wavewright("run", ROOT / "recipes/rail_ripple.yaml", "--bench", tmp_path / "served.yaml", "--yes")
    assert told.status == 0, told.stderr
    assert TAKEN in told.stderr
