"""Files as editors and spreadsheets on Windows save them: with a byte order mark, and CR LF at the ends of lines."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken

Command = Callable[..., Spoken]
ROOT = Path(__file__).parents[2]
RECIPES = ("end_of_line.yaml", "supply_and_drive.yaml", "worn_contact.csv")
TEXTS = (".yaml", ".csv", ".txt")


def saved(folder: Path, *, encoding: str) -> Path:
    """The simulated bench with a profile of its own, and two recipes, saved there."""
    shutil.copytree(ROOT / "sim", folder / "sim")
    (folder / "recipes").mkdir()
    for name in RECIPES:
        shutil.copy(ROOT / "recipes" / name, folder / "recipes")
    bench = folder / "sim/bench.yaml"
    text = bench.read_text(encoding="utf-8").replace("profile: scpi-supply,", "profile: own.yaml,")
    assert "own.yaml" in text
    bench.write_text(text, encoding="utf-8")
    own = "wavewright-profile: 1\nname: own\nextends: scpi-supply\n"
    (folder / "sim/own.yaml").write_text(own, encoding="utf-8")
    for path in folder.rglob("*"):
        if path.suffix in TEXTS:
            text = path.read_text(encoding="utf-8")
            path.write_bytes(text.replace("\n", "\r\n").encode(encoding) if encoding else text.encode())
    return folder


@pytest.mark.parametrize("recipe", RECIPES[:2])
def test_the_same_recipe_gives_the_same_numbers(
    recipe: str, tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    for name, encoding in (("plain", ""), ("marked", "utf-8-sig")):
        folder = saved(tmp_path / name, encoding=encoding)
        monkeypatch.chdir(folder)
        words = ("--bench", "sim/bench.yaml", "--seed", 204, "--yes", "--no-logbook", "--json")
        told = wavewright("run", f"recipes/{recipe}", *words)
        found.append([(one["name"], one["results"]) for one in told.json["measurements"]])
        assert json.dumps(found[-1]).count('"value"') > 3
    assert found[0] == found[1]


def test_every_kind_of_file_is_valid_with_a_mark(tmp_path: Path, wavewright: Command) -> None:
    folder = saved(tmp_path / "marked", encoding="utf-8-sig")
    files = sorted(folder.rglob("*.yaml"))
    told = wavewright("validate", *files)
    assert told.status == 0, told.stderr
    assert told.stdout.count(": valid ") == len(files)


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252"])
def test_another_encoding_is_told_with_what_to_do(encoding: str, tmp_path: Path, wavewright: Command) -> None:
    recipe = tmp_path / "r.yaml"
    recipe.write_bytes("wavewright: 1\r\ntitle: Strom 5 µA\r\n".encode(encoding))
    told = wavewright("validate", recipe)
    assert told.status == 3
    assert "is not text in UTF-8" in told.stderr
    assert "do: save it as UTF-8" in told.stderr
    assert f"{recipe}:{1 if encoding == 'utf-16' else 2}:" in told.stderr


@pytest.mark.parametrize("content", ["VC204-0001\r\nVC204-0002\r\n", "# lot\r\n VC204-0001 \r\n\r\nVC204-0002"])
def test_a_list_of_serial_numbers_has_no_mark_in_the_first_of_them(
    content: str, tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lot.txt").write_bytes(content.encode("utf-8-sig"))
    words = ("--bench", ROOT / "sim/bench_line.yaml", "--yes", "--serials", "lot.txt", "--json")
    told = wavewright("run", ROOT / "recipes/rail_ripple.yaml", *words)
    assert [run["serial"] for run in told.json["runs"]] == ["VC204-0001", "VC204-0002"]


def test_a_list_in_another_encoding_is_told(tmp_path: Path, wavewright: Command) -> None:
    (tmp_path / "lot.txt").write_bytes("VC204-0001\r\n".encode("utf-16"))
    words = ("--bench", ROOT / "sim/bench_line.yaml", "--yes", "--serials", tmp_path / "lot.txt")
    told = wavewright("run", ROOT / "recipes/rail_ripple.yaml", *words)
    assert told.status == 3
    assert "lot.txt:1:1: byte 0xFF is not text in UTF-8" in told.stderr
    assert "do: save it as UTF-8" in told.stderr
