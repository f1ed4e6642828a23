from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.errors import FileFault
from wavewright.instruments.bench_file import load_bench
from wavewright.running.shipped_files import named_or_usual, usual_bench

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WAVEWRIGHT_BENCH", raising=False)


def test_a_bench_beside_the_recipe_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "checks").mkdir()
    for folder in (tmp_path, tmp_path / "checks"):
        (folder / "bench.yaml").touch()
    monkeypatch.setenv("WAVEWRIGHT_BENCH", "elsewhere.yaml")
    found = usual_bench(tmp_path / "checks" / "rail.yaml")
    assert found.path == tmp_path / "checks" / "bench.yaml"
    assert "no bench was named" in found.why


def test_then_the_one_of_this_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench.yaml").touch()
    monkeypatch.setenv("WAVEWRIGHT_BENCH", "elsewhere.yaml")
    assert usual_bench("checks/rail.yaml").path == Path("bench.yaml")


def test_then_the_one_that_the_environment_names_even_if_it_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WAVEWRIGHT_BENCH", "misspelt.yaml")
    found = usual_bench("rail.yaml")
    assert "WAVEWRIGHT_BENCH" in found.why
    with pytest.raises(FileFault, match=r"misspelt\.yaml"):
        load_bench(found.path)


def test_else_the_simulated_one_and_it_is_said() -> None:
    found = usual_bench("rail.yaml")
    assert load_bench(found.path).is_simulated
    assert "no bench was named" in found.why
    assert "simulated" in found.why


def test_nothing_is_said_of_a_bench_that_was_named() -> None:
    assert named_or_usual(ROOT / "sim" / "bench.yaml", "rail.yaml").why == ""
