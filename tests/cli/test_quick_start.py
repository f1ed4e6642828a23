"""A package that waits until it is used is the package itself then, whoever uses it first."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

SLOW = "before = 1\nsum(range(100_000))\nfrom slow import inner\nafter = inner.here\n"
INNER = "import slow\nhere = slow.before + 1\n"


def said(script: str, folder: Path) -> str:
    (folder / "slow").mkdir()
    (folder / "slow/__init__.py").write_text(SLOW, encoding="utf-8")
    (folder / "slow/inner.py").write_text(INNER, encoding="utf-8")
    script = f"import sys\nsys.path.insert(0, {str(folder)!r})\nfrom wavewright.cli.quick_start import defer\n{script}"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_a_deferred_package_is_loaded_by_its_first_use_and_by_no_import(tmp_path: Path) -> None:
    script = """
defer("slow")
import slow
import slow as again
print("slow.inner" in sys.modules, again is slow, slow.after, "slow.inner" in sys.modules, type(slow).__name__)
"""
    assert said(script, tmp_path) == "False True 2 True module"


def test_a_module_of_a_deferred_package_can_be_imported_first(tmp_path: Path) -> None:
    assert said('defer("slow")\nfrom slow.inner import here\nimport slow\nprint(here, slow.after)', tmp_path) == "2 2"


def test_threads_that_use_it_together_all_get_the_whole_package(tmp_path: Path) -> None:
    script = """
import threading
sys.setswitchinterval(1e-6)
defer("slow")
import slow
start, found = threading.Barrier(8), []
def use():
    start.wait()
    found.append(slow.after)
threads = [threading.Thread(target=use) for _ in range(8)]
[one.start() for one in threads]
[one.join() for one in threads]
print(found)
"""
    assert said(script, tmp_path) == str([2] * 8)


def test_what_is_there_already_stays(tmp_path: Path) -> None:
    assert said('import slow\nbefore = slow\ndefer("slow")\nprint(sys.modules["slow"] is before)', tmp_path) == "True"


def test_a_package_that_cannot_be_loaded_is_an_error_at_each_use(tmp_path: Path) -> None:
    script = """
defer("broken")
import broken
for _ in range(2):
    try:
        broken.anything
    except ImportError as fault:
        print(fault)
"""
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken/__init__.py").write_text("half = 1\nraise ImportError('no such symbol')\n", encoding="utf-8")
    assert said(script, tmp_path) == "no such symbol\nno such symbol"


def test_a_command_that_has_ended_is_not_looked_through_for_garbage(tmp_path: Path) -> None:
    script = """
import atexit, gc
from wavewright.cli.start import main
atexit.register(lambda: print(gc.get_freeze_count() > 1000, gc.collect()))
sys.argv = ["wavewright", "--version"]
main()
"""
    assert said(script, tmp_path).splitlines()[-1] == "True 0"
