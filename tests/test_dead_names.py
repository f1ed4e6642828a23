"""Every name that the package defines is used in the package: what nothing calls is taken out, or made reachable."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import wavewright

ROOT = Path(wavewright.__file__).parent
WORD = re.compile(r"[A-Za-z_]\w*")
# decorators that enter nothing into a table
OWN_CALLERS = (
    "property",
    "classmethod",
    "staticmethod",
    "overload",
    "cached_property",
    "computed_once",
)  # decorators that enter nothing
# What nothing here calls, and who does.
CALLED_FROM_ELSEWHERE = {
    "measure_frames": "the API: frames that are there already",
    "find_frames": "the API: frames that are there already",
    "observed": "the API: an input of a budget from readings of one's own",
    "certified": "the API: an input of a budget from a certificate",
    "to_pandas": "the API: a waveform as a Series",
    "to_xarray": "the API: a waveform as a DataArray",
    "has_moved": "the API: a comparison of two waveforms",
    "replaying": "the API: a bench file with a recorded dialogue in place of its instruments",
    "open_default_resource_manager": "PyVISA",
    "assert_trigger": "PyVISA",
    "writelines": "whoever writes to a text stream",
    "_repr_svg_": "Jupyter",
    "connection_made": "asyncio",
    "connection_lost": "asyncio",
    "data_received": "asyncio",
    "clients": "tests, which wait until somebody is connected",
    "list_commands": "typer",
    "pytest_addoption": "pytest",
    "pytest_configure": "pytest",
    "pytest_report_header": "pytest",
    "pytest_collect_file": "pytest",
    "runtest": "pytest",
    "reportinfo": "pytest",
}


def defined(body: list[ast.stmt], *, in_class: bool = False) -> Iterator[str]:
    """The functions, methods and classes of a file, and its constants: not what a decorator enters into a table.

    The fields of a class and the members of an enumeration are not among them: files and databases name those.
    """
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            decorators = {ast.unparse(each).split("(")[0].split(".")[-1] for each in node.decorator_list}
            if decorators <= {*OWN_CALLERS, "dataclass", "cache", "contextmanager", "runtime_checkable"}:
                yield node.name
            if isinstance(node, ast.ClassDef):
                yield from defined(node.body, in_class=True)
        elif not in_class:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            yield from (target.id for target in targets if isinstance(target, ast.Name))


def test_every_name_is_used() -> None:
    words: Counter[str] = Counter()
    for path in ROOT.rglob("*"):
        if path.suffix in (".py", ".j2"):
            words.update(WORD.findall(path.read_text(encoding="utf-8")))
    names = {
        name
        for path in ROOT.rglob("*.py")
        for name in defined(ast.parse(path.read_text(encoding="utf-8")).body)
        if not (name.startswith("__") and name.endswith("__"))
    }
    unused = {name for name in names if words[name] == 1}
    left = sorted(unused - set(CALLED_FROM_ELSEWHERE))
    assert left == [], "take it out, or let something reach it"
    stale = sorted(name for name in CALLED_FROM_ELSEWHERE if name not in unused)
    assert stale == [], "it is used by now, or gone: take it out of this list"


def test_a_name_that_nothing_uses_is_found() -> None:
    function = "def unused(): ..."
    text = f"LIMIT = 3\n@metric('rms')\ndef rms(): ...\n{function}\nclass Mean:\n    unit = 's'\n    def of(self): ..."
    assert list(defined(ast.parse(text).body)) == ["LIMIT", "unused", "Mean", "of"]
