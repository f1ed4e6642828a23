"""A package of one's own: the one shown is installed, found by entry point, and used from the command line."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from tests.developers.document import ROOT, blocks
from tests.developers.play import furnish, played
from tests.run_to_run import plain

SECTION = "A package of your own"


def furnish_with_pip(folder: Path) -> dict[str, str]:
    """A `pip` that installs without a network into a folder of its own; what the environment must say to find it."""
    furnish(folder)
    site = folder / "site"
    pip = folder / "bin" / "pip"
    pip.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tests.developers.test_own_package "{site}" "$@"\n')
    pip.chmod(0o755)
    return {"PYTHONPATH": os.pathsep.join((str(ROOT), str(site)))}


def install(project: Path, site: Path) -> None:
    """With pip where the project's build backend is at hand, else as PyPA's "Recording installed projects" says."""
    if importlib.util.find_spec("hatchling"):
        offline = ("--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check")
        command = [sys.executable, "-m", "pip", "install", "-q", *offline, "--target", str(site), str(project)]
        subprocess.run(command, check=True)
        return
    about = tomllib.loads((project / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    shutil.copytree(project / "src", site, dirs_exist_ok=True)
    record = site / f"{about['name'].replace('-', '_')}-{about['version']}.dist-info"
    record.mkdir()
    (record / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {about['name']}\nVersion: {about['version']}\n")
    groups = [
        f"[{group}]\n" + "".join(f"{name} = {target}\n" for name, target in entries.items())
        for group, entries in about["entry-points"].items()
    ]
    (record / "entry_points.txt").write_text("\n".join(groups))


@pytest.mark.slow
@pytest.mark.posix("types the commands into a POSIX shell")
def test_the_package_shown_is_installed_and_used(tmp_path: Path) -> None:
    environment = furnish_with_pip(tmp_path)
    shown = list(played(blocks(SECTION), tmp_path, **environment))
    assert len(shown) == 1
    for commands, block, printed in shown:
        assert plain(printed) == plain(block.text), commands.text


def test_every_group_that_is_looked_up_is_listed() -> None:
    (project,) = [block.text for block in blocks(SECTION) if block.kind == "toml"]
    section = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split(f"## {SECTION}")[1]
    looked_up: set[str] = set()
    for file in (ROOT / "src").rglob("*.py"):
        text = file.read_text(encoding="utf-8")
        if "entry_points(group=" in text or "Registry(" in text:
            looked_up |= set(re.findall(r'(?:\bgroup=|^GROUP = )"([\w.]+)"', text, re.MULTILINE))
    listed = set(re.findall(r"^\| `(wavewright\.\w+)` \|", section, re.MULTILINE))
    assert listed == looked_up
    assert len(listed) >= 11
    assert set(tomllib.loads(project)["project"]["entry-points"]) <= looked_up


def test_differences_add_up_to_samples() -> None:
    (source,) = [block.text for block in blocks(SECTION) if block.name.endswith("running_sum.py")]
    names: dict[str, object] = {}
    exec(compile(source, "running_sum.py", "exec"), names)
    codes = names["RunningSum"].codes(None, np.array([100, 100, -50], dtype=np.int8))  # type: ignore[attr-defined]
    assert codes.tolist() == [100, 200, 150]  # beyond int8, which the differences come in


if __name__ == "__main__":
    install(Path(sys.argv[-1]).resolve(), Path(sys.argv[1]))
