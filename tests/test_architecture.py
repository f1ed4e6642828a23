"""Data flows one way, and imports follow it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import wavewright

ROOT = Path(wavewright.__file__).parent

# The flow of the data. A part may import from the parts above it, never from one below.
FLOW = (
    "errors",
    "unit_symbols",
    "quantities",
    "waveform",
    "analysis",
    "buses",
    "judgement",
    "durable_files",
    "grammar",
    "recipe",
    "instruments",
    "simulation",
    "running",
    "logbook",
    "reporting",
    "cli",
)
PURE = ("analysis", "buses", "judgement")
# What the flow would allow and the design does not: the simulated bench is reached through VISA like any other.
FORBIDDEN = {("running", "simulation"), ("logbook", "simulation"), ("reporting", "simulation")}
CLOCKS_AND_IO = {"time", "socket", "os", "pathlib", "random", "subprocess", "threading", "pyvisa", "h5py", "sqlalchemy"}


def files(part: str) -> list[Path]:
    folder = ROOT / part
    return (
        sorted(folder.rglob("*.py")) if folder.is_dir() else [path for path in [ROOT / f"{part}.py"] if path.exists()]
    )


def modules(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            found.add(node.module or "")
            if node.module == "wavewright":
                found |= {f"wavewright.{name.name}" for name in node.names}
    return found


def imported(part: str) -> set[str]:
    names = {name for path in files(part) for name in modules(path)}
    return {name.split(".")[1] for name in names if name.startswith("wavewright.")}


@pytest.mark.parametrize("part", FLOW)
def test_imports_follow_the_flow(part: str) -> None:
    allowed = {above for above in FLOW[: FLOW.index(part)] if (part, above) not in FORBIDDEN}
    against = imported(part) - allowed - {part}
    assert not against, f"{part} imports {sorted(against)}: move the code, or pass the value in"


@pytest.mark.parametrize("part", PURE)
def test_the_pure_core_touches_neither_clock_nor_disk(part: str) -> None:
    names = {name.split(".")[0] for path in files(part) for name in modules(path)}
    assert not names & CLOCKS_AND_IO


def test_no_file_is_named_after_nothing() -> None:
    nameless = {"utils", "helpers", "common", "manager", "misc", "base"}
    assert not [path for path in ROOT.rglob("*.py") if path.stem in nameless]


def test_no_file_is_longer_than_a_concept() -> None:
    long = {str(path.relative_to(ROOT)): n for path in ROOT.rglob("*.py") if (n := path.read_text().count("\n")) > 400}
    assert not long, f"split along their nouns: {long}"
