"""The public API is what `__all__` says, nothing more and nothing less."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import wavewright as ww


def imported_for_type_checkers() -> dict[str, str]:
    """Name and module of every import that type checkers see."""
    tree = ast.parse(Path(inspect.getfile(ww)).read_text(encoding="utf-8"))
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    return {
        name.name: node.module or "" for node in imports if "wavewright" in (node.module or "") for name in node.names
    }


def test_all_is_sorted_and_has_every_name_once() -> None:
    assert ww.__all__ == sorted(set(ww.__all__))


def test_type_checkers_and_the_interpreter_see_the_same_names_in_the_same_places() -> None:
    assert imported_for_type_checkers() == ww._OWNERS
    assert sorted(ww._OWNERS) == ww.__all__


@pytest.mark.parametrize("name", ww.__all__)
def test_every_name_is_there_and_documented(name: str) -> None:
    assert inspect.getdoc(getattr(ww, name))


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute `mesure`"):
        ww.mesure  # noqa: B018


def test_importing_the_package_imports_none_of_the_heavy_ones() -> None:
    script = "import sys, wavewright; print(*{name.partition('.')[0] for name in sys.modules})"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & {"numpy", "scipy", "h5py", "sqlalchemy", "youplot", "pyvisa"}


def test_the_calls_of_the_design_work() -> None:
    # math: a square wave of 4 samples per period, high for 1 of them, has period 4 us and duty factor 1/4
    drive = ww.Waveform.from_volts(np.tile([0.0, 5.0, 0.0, 0.0], 50), interval=1e-6, name="drive")
    readings = ww.measure(drive, ["period", "duty_factor"])
    assert readings["period"].value == pytest.approx(4e-6)
    assert readings["duty_factor"].value == pytest.approx(0.25)
    flat = ww.measure(ww.Waveform.from_volts(np.zeros(100), interval=1e-6), "period")
    assert flat.value is None
    assert flat.reason
    assert "uart" in ww.buses()
    assert ww.metrics()["rise_time"].unit == "s"


WAVE = ww.Waveform.from_volts([0.0, 1.0], interval=1e-6, name="tx")
NOT_WAVEFORMS: list[tuple[str, Callable[[], object], str]] = [
    ("samples measured", lambda: ww.measure(np.zeros(9), "mean"), "`ndarray`"),  # type: ignore[call-overload]
    ("a name measured", lambda: ww.measure("rail", "mean"), "`str`"),  # type: ignore[call-overload]
    ("a capture measured", lambda: ww.measure({"rail": WAVE}, "mean"), "`dict`"),  # type: ignore[call-overload]
    ("a wave decoded", lambda: ww.decode(WAVE, "uart", baud=9600), "`Waveform`"),  # type: ignore[arg-type]
    ("samples decoded", lambda: ww.decode({"tx": [0, 1]}, "uart", baud=9600), "`dict`"),  # type: ignore[dict-item]
    ("a wave written", lambda: ww.write_waveforms("a.npz", WAVE), "`Waveform`"),  # type: ignore[arg-type]
    ("a list written", lambda: ww.write_waveforms("a.npz", [WAVE]), "`list`"),  # type: ignore[arg-type]
]


@pytest.mark.parametrize("call, given", [row[1:] for row in NOT_WAVEFORMS], ids=[row[0] for row in NOT_WAVEFORMS])
def test_what_is_no_waveform_is_refused_with_what_it_should_be(
    call: Callable[[], object], given: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ww.WavewrightError, match="in place of waveforms") as refused:
        call()
    assert given in str(refused.value)
    assert "expected: " in str(refused.value)
    assert not list(tmp_path.iterdir())


def test_several_waveforms_may_come_in_any_row() -> None:
    pair = [WAVE, WAVE]
    for row in (pair, tuple(pair), iter(pair)):
        assert ww.measure(row, "correlation").reason  # type: ignore[call-overload]  # two samples are too few


def test_a_recipe_runs_by_its_name_and_the_outcome_answers(tmp_path: Path) -> None:
    outcome = ww.run("recipes/rail_ripple.yaml", bench="sim/bench.yaml", serial="VC204-0017", out=tmp_path)
    assert outcome.verdict is ww.Verdict.PASS
    ripple = outcome["rail_noise.ripple"]
    assert ripple.value is not None
    assert ripple.value < 40e-3
    wave = outcome.captures["rail_noise"][0]["rail"]
    assert ww.measure(wave, "peak_to_peak").value == ripple.value  # computed again from what was kept
    assert outcome.folder is not None
    assert ww.read_outcome(outcome.folder)["rail_noise.ripple"] == ripple
