"""README's lines for a production line, on a real server: each as printed, with this machine's addresses in it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import urllib.request
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.logbook.postgresql import PASSWORD, Server, programs

ROOT = Path(__file__).parents[2]
PSQL = "psql -h server -U owner line"
pytestmark = [pytest.mark.slow, pytest.mark.posix("starts a server of PostgreSQL, and pipes in a shell")]


def printed_lines() -> list[str]:
    section = (ROOT / "README.md").read_text(encoding="utf-8").partition("\n## A production line\n")[2]
    return section.partition("```bash\n")[2].partition("```")[0].splitlines()


def done(line: str, folder: Path, environment: Mapping[str, str]) -> str:
    """Run one line of the shell, with one unit where it asks for serial numbers."""
    command = re.sub("^wavewright ", lambda _: f"{sys.executable} -m wavewright ", line)
    ended = subprocess.run(
        command,
        shell=True,
        check=False,
        cwd=folder,
        env=environment,
        input="VC204-0002\n\n",
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 0, f"{line}\n{ended.stdout}\n{ended.stderr}"
    return ended.stdout


def test_a_line_is_set_up_as_readme_says(server: Server, tmp_path: Path) -> None:
    lines = printed_lines()
    assert [line.split()[0] for line in lines] == ["pip", "wavewright", "export", "wavewright", "wavewright"]
    server.new_database("line_of_readme")  # the server is that of other tests too
    for name in ("readme_station", "readme_office"):
        server.sql("postgres", f"CREATE ROLE {name} LOGIN PASSWORD '{PASSWORD}'")
    for name in ("recipes", "sim"):
        (tmp_path / name).symlink_to(ROOT / name)
    for file in (ROOT / "sim").iterdir():  # a bench names its other files beside it
        (tmp_path / file.name).symlink_to(file)
    owner = server.url("line_of_readme")
    here = {
        "postgresql://owner@server/line": owner,
        "postgresql://line_1@server/line": server.url("line_of_readme", user="readme_station"),
        "postgresql://quality@server/line": server.url("line_of_readme", user="readme_office"),
        "--station line_1 --office quality": "--station readme_station --office readme_office",
        PSQL: f"{programs()}/psql -v ON_ERROR_STOP=1 '{owner}'",
        "s3://captures/line": str(tmp_path / "captures"),
    }
    _, rights, export, run, serve = (
        re.sub("|".join(map(re.escape, here)), lambda found: here[found[0]], line) for line in lines
    )
    variable, _, value = export.removeprefix("export ").partition("=")
    environment = {**os.environ, "XDG_DATA_HOME": str(tmp_path / "data"), variable: value}

    done(rights, tmp_path, environment)
    done(f"{run} --yes", tmp_path, environment)
    with subprocess.Popen(
        [sys.executable, "-m", *serve.split(), "--port", "0"],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
    ) as serving:
        try:
            assert serving.stdout is not None
            (address,) = re.findall(r"http://\S+", serving.stdout.readline())
            with urllib.request.urlopen(f"{address}unit?serial=VC204-0002") as answer:
                page = answer.read().decode()
        finally:
            serving.terminate()
    assert "VC204-0002" in page
    assert "end_of_line" in page
