"""Data flows one way, and imports follow it."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

import wavewright
from tests.conftest import pytest_collection_modifyitems

ROOT = Path(wavewright.__file__).parent

# The flow of the data. A part may import from the parts above it, never from one below.
FLOW = (
    "errors",
    "earlier_spellings",
    "nearest",
    "registry",
    "displays",
    "unit_symbols",
    "quantities",
    "waveform",
    "analysis",
    "buses",
    "recognition",
    "judgement",
    "path_length",
    "durable_files",
    "plot",
    "grammar",
    "recipe",
    "instruments",
    "simulation",
    "running",
    "logbook",
    "archive",
    "reporting",
    "pages",
    "file_kinds",
    "editor_schemas",
    "guide",
    "reference",
    "cli",
)
PURE = ("analysis", "buses", "recognition", "judgement")
# What the flow would allow and the design does not: the simulated bench is reached through VISA like any other.
FORBIDDEN = {("running", "simulation"), ("logbook", "simulation"), ("reporting", "simulation"), ("pages", "simulation")}
# What the operating systems have not in common, and the one place that asks for it.
PLATFORMS = {
    "durable_files.py": "how names in a folder are brought to the disk",
    "path_length.py": "how long a path may be",
    "instruments/stop_signals.py": "signals, their mask, and a console's events",
    "instruments/socket_wire.py": "a call on a socket that does not wait",
    "logbook/told_process.py": "how a command is split, and a process ended with all that it started",
    "logbook/network_drive.py": "which drives are those of another computer",
    "running/bench_lock.py": "whose folder it is, and who else may write there",
    "running/common_memory.py": "memory that several processes see",
    "running/companion.py": "how a process is copied",
    "running/crew.py": "which cores a process may use",
}
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


# Public class names that stand for two things, and why they may.
TWO_MEANINGS = {}


def test_one_public_class_name_has_one_meaning() -> None:
    made: dict[str, list[str]] = {}
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                made.setdefault(node.name, []).append(path.relative_to(ROOT).as_posix())
    several = {name: sorted(paths) for name, paths in made.items() if len(paths) > 1}
    assert not {name: paths for name, paths in several.items() if name not in TWO_MEANINGS}, "rename one of them"
    assert set(TWO_MEANINGS) <= set(several), "no longer needed"


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_modules(path: Path, known: set[str]) -> set[str]:
    """The modules of ours that a file imports, for types and inside functions as well."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {
                name.name.removeprefix("wavewright.") for name in node.names if name.name.startswith("wavewright")
            }
        elif isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "wavewright":
            owner = (node.module or "").partition(".")[2]
            inner = {name.name: f"{owner}.{name.name}".lstrip(".") for name in node.names}
            found |= {full if full in known else owner for full in inner.values()}
    return {name.removeprefix("wavewright") for name in found} & known


def circles() -> list[set[str]]:
    """The groups of modules in which each needs every other."""
    paths = {module_name(path): path for path in ROOT.rglob("*.py")}
    order = {name: number for number, name in enumerate(paths)}
    pairs = [(name, other) for name, path in paths.items() for other in imported_modules(path, set(paths))]
    rows, columns = ([order[pair[side]] for pair in pairs] for side in (0, 1))
    graph = csr_array(([1] * len(pairs), (rows, columns)), shape=(len(paths), len(paths)))
    number, groups = connected_components(graph, connection="strong")
    found = [{name for name in paths if groups[order[name]] == group} for group in range(number)]
    itself = [{name} for name, other in pairs if name == other]
    return [group for group in found if len(group) > 1] + itself


def test_no_import_comes_back_to_where_it_began() -> None:
    found = [sorted(circle) for circle in circles()]
    assert not found, f"circles of imports: {found}: move what both need into a file of its own"


def asks_for_the_platform(path: Path) -> bool:
    """Whether a file asks which system it runs on, or what that system has."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and ast.unparse(node) in ("sys.platform", "os.name", "os.uname"):
            return True
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in ("platform.system", "platform.platform", "platform.uname", "sys.getwindowsversion"):
                return True
            if called in ("hasattr", "getattr") and ast.unparse(node.args[0]) in ("os", "signal", "socket", "select"):
                return True
    return False


def test_what_differs_between_systems_is_in_one_place_per_difference() -> None:
    asking = {path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py") if asks_for_the_platform(path)}
    assert asking == set(PLATFORMS)


class Marked:
    """A test as the collection has it."""

    def __init__(self, mark: str = "") -> None:
        self.mark = mark

    def get_closest_marker(self, name: str) -> object:
        return self.mark == name or None


def test_at_most_two_per_cent_of_the_suite_need_posix() -> None:
    pytest_collection_modifyitems([Marked()] * 9800 + [Marked("posix")] * 200)
    pytest_collection_modifyitems([Marked("posix")] * 20)  # a folder by itself
    with pytest.raises(pytest.UsageError, match="201 of 10001 tests are marked posix: 2% is the most"):
        pytest_collection_modifyitems([Marked()] * 9800 + [Marked("posix")] * 201)


def test_the_documents_draw_every_folder_in_this_order() -> None:
    text = (ROOT.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    tree = text.partition("## The one rule")[2].partition("```text\n")[2].partition("```")[0]
    drawn = [line.split()[0].rstrip("/") for line in tree.splitlines()]
    assert drawn == [part for part in FLOW if part in drawn]
    assert {part for part in FLOW if (ROOT / part).is_dir()} <= set(drawn)


def test_every_text_file_is_opened_with_its_encoding() -> None:
    # else it would be that of the code page of whoever runs it
    pytest.importorskip("ruff")
    command = [
        "ruff",
        "check",
        "--isolated",
        "--preview",
        "--select",
        "PLW1514",
        "--target-version",
        "py311",
        str(ROOT),
    ]
    done = subprocess.run([sys.executable, "-m", *command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
