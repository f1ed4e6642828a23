"""DEVELOPERS.md says what is true: its blocks run, its file is the one that is shipped."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from wavewright.analysis import catalogue as metric_catalogue
from wavewright.analysis.catalogue import metrics
from wavewright.buses import catalogue as bus_catalogue
from wavewright.buses.catalogue import buses
from wavewright.buses.decode import decode
from wavewright.waveform import Waveform

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PREAMBLE = """\
from dataclasses import replace
import numpy as np
import pytest
from hypothesis import given, strategies as st
from wavewright.analysis.measure import measure
from wavewright.analysis.uncertainty.accuracy import Accuracy
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
    tables: tuple[Any, ...] = (
        metric_catalogue.METRICS.entered,
        bus_catalogue.BUSES.entered,
        bus_catalogue.LAYERS.entered,
    )
    metrics(), buses(), bus_catalogue.layers()  # all are entered before what is there is noted
    before = [dict(table) for table in tables]
    yield
    for table, entries in zip(tables, before, strict=True):
        table.clear()
        table.update(entries)


@pytest.mark.parametrize("section", ["A new metric", "A new bus"])
def test_the_file_and_its_tests_run_as_they_stand(section: str, tmp_path: Path, registries: None) -> None:
    source, tests, *more = blocks(section, "python")
    loaded("added", "\n".join((source, *more)), tmp_path)
    module = loaded("added_tests", PREAMBLE + tests, tmp_path)
    ran = [name for name in dir(module) if name.startswith("test_")]
    assert ran
    for name in ran:
        getattr(module, name)()
    if more:
        volts = np.repeat([0, 3.3, 0, 3.3, 0, 3.3, 0], [100, 10, 10, 10, 2000, 10, 100])
        placed = decode({"line": Waveform.from_volts(volts, interval=1e-6)}, "pulse_count", then="wiper", steps=10)
        assert [frame["place"] for frame in placed] == [0.2, 0.3]


def test_places_that_are_named_are_there() -> None:
    for path in set(re.findall(r"`((?:src|tests|sim|recipes)/[\w./-]+)`", TEXT)):
        assert (ROOT / path).exists(), path
    for path in set(re.findall(r"^\| [^|]+ \| `([\w/.]+)`", TEXT, re.MULTILINE)):
        assert (ROOT / "src" / "wavewright" / path).exists() or (ROOT / path).exists(), path


def test_every_path_of_the_map_is_there() -> None:
    (body,) = re.findall(r"^## Where to find it$(.*?)(?=^## )", TEXT, re.MULTILINE | re.DOTALL)
    rows = [line.strip("|").split(" | ") for line in body.splitlines() if line.startswith("| ")][1:]
    assert len(rows) > 30
    named = set()
    for behaviour, where, checks in rows:
        owned = re.findall(r"`([^`]+)`", where)
        assert owned, behaviour
        for path in owned:
            assert (ROOT / "src" / "wavewright" / path).exists(), f"{behaviour}: {path}"
        for path in re.findall(r"`([^`]+)`", checks):
            assert (ROOT / path).exists(), f"{behaviour}: {path}"
        named |= {path.split("/")[0].removesuffix(".py") for path in owned}
    parts = {
        path.stem for path in (ROOT / "src" / "wavewright").iterdir() if not path.name.startswith(("_", "py.typed"))
    }
    small = {
        "waveform",
        "durable_files",
        "file_kinds",
        "editor_schemas",
        "nearest",
        "registry",
    }  # one file, of the name of what it does
    assert parts - small <= named, "a part of the package is missing from the map"


def test_the_version_is_that_of_a_tag_or_on_its_way_to_one() -> None:
    from importlib.metadata import version

    from packaging.version import Version  # PyPI's packaging, as the reference for PEP 440

    assert Version(version("wavewright")) >= Version("0.1.dev0")
    assert "### In work" in TEXT
