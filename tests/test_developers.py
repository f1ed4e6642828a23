"""DEVELOPERS.md says what is true: its blocks run, its file is the one that is shipped."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from wavewright.analysis import catalogue as metric_catalogue
from wavewright.analysis.catalogue import metrics
from wavewright.buses import catalogue as bus_catalogue
from wavewright.buses.catalogue import buses

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PREAMBLE = """\
from dataclasses import replace
import numpy as np
import pytest
from hypothesis import given, strategies as st
from wavewright.analysis.measure import measure
from wavewright.buses.decode import decode
from wavewright.waveform import Waveform
"""


def blocks(section: str, kind: str) -> list[str]:
    (body,) = re.findall(rf"^## {re.escape(section)}$(.*?)(?=^## |\Z)", TEXT, re.MULTILINE | re.DOTALL)
    return re.findall(rf"^```{kind}\n(.*?)^```$", body, re.MULTILINE | re.DOTALL)


def loaded(name: str, text: str, folder: Path) -> ModuleType:
    (folder / f"{name}.py").write_text(text, encoding="utf-8")
    spec = importlib.util.spec_from_file_location(name, folder / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def registries(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What a block enters into a catalogue is out again after the test."""
    before = [dict(metric_catalogue._entered), dict(bus_catalogue._buses)]
    metrics.cache_clear()
    buses.cache_clear()
    yield
    for table, entries in zip((metric_catalogue._entered, bus_catalogue._buses), before, strict=True):
        table.clear()
        table.update(entries)
    metrics.cache_clear()
    buses.cache_clear()


@pytest.mark.parametrize("section", ["A new metric", "A new bus"])
def test_the_file_and_its_tests_run_as_they_stand(section: str, tmp_path: Path, registries: None) -> None:
    metrics()
    buses()
    metrics.cache_clear()
    buses.cache_clear()
    source, tests = blocks(section, "python")
    loaded("added", source, tmp_path)
    module = loaded("added_tests", PREAMBLE + tests, tmp_path)
    ran = [name for name in dir(module) if name.startswith("test_")]
    assert ran
    for name in ran:
        getattr(module, name)()


def test_the_profile_shown_is_the_one_that_is_shipped() -> None:
    (shown,) = blocks("A new instrument, from the manual page to a green exercise", "yaml")
    assert shown == (ROOT / "sim" / "profiles" / "grid-digitizer.yaml").read_text(encoding="utf-8")


def wavewright(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "wavewright", *words]
    return subprocess.run(command, cwd=folder, check=False, capture_output=True, text=True)


def test_a_mistake_in_the_profile_is_told_as_shown(tmp_path: Path) -> None:
    (shown,) = blocks("A new instrument, from the manual page to a green exercise", "yaml")
    (fault,) = blocks("A new instrument, from the manual page to a green exercise", "text")
    (tmp_path / "ten-line.yaml").write_text(shown.replace("convert: {times: 0.1}", "convert: {times: ten}", 1))
    told = wavewright(tmp_path, "validate", "ten-line.yaml")
    assert told.returncode == 3
    assert told.stderr.strip() == fault.strip()


def test_the_exercise_is_green(tmp_path: Path) -> None:
    (tmp_path / "sim").symlink_to(ROOT / "sim")
    (command,) = blocks("A new instrument, from the manual page to a green exercise", "sh")
    told = wavewright(tmp_path, *command.split()[1:])
    assert told.returncode == 0, told.stdout
    last = told.stdout.strip().splitlines()[-1]
    assert f"Its last line is `{last}`" in TEXT


def test_places_that_are_named_are_there() -> None:
    for path in set(re.findall(r"`((?:src|tests|sim|recipes)/[\w./-]+)`", TEXT)):
        assert (ROOT / path).exists(), path
    for path in set(re.findall(r"^\| [^|]+ \| `([\w/.]+)`", TEXT, re.MULTILINE)):
        assert (ROOT / "src" / "wavewright" / path).exists() or (ROOT / path).exists(), path
