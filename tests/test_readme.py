"""README and the guide say what is true: their commands run, and print what stands there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.run_to_run import ANSI, plain
from wavewright.reference.guide_topics import ORDER

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = sorted((ROOT / "src" / "wavewright" / "guide").glob("*.md"))
PAGES = (ROOT / "README.md", *GUIDE)


@dataclass(frozen=True)
class Block:
    kind: str
    text: str
    section: str


def blocks(document: str = README) -> list[Block]:
    found, section = [], ""
    for match in re.finditer(
        r"^## (?P<section>[^\n]+)$|^```(?P<kind>\w*)\n(?P<text>.*?)^```$", document, re.MULTILINE | re.DOTALL
    ):
        if match["section"]:
            section = match["section"]
        else:
            found.append(Block(match["kind"], match["text"], section))
    return found


def test_the_first_paragraph_states_the_job() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("Wavewright checks whether an electronic board meets its limits.")


def test_set_up_is_two_commands() -> None:
    posix, windows = (block for block in blocks() if block.section == "Set up")
    first, second = posix.text.strip().splitlines()
    assert "wavewright run recipes/end_of_line.yaml --yes" in first
    assert "pytest" in second
    # the same for cmd, which has its own ways of naming and quoting
    assert (posix.kind, windows.kind) == ("sh", "bat")
    translated = posix.text.replace("python3", "python").replace(".venv/bin/", ".venv\\Scripts\\").replace("'", '"')
    translated = translated.replace("recipes/", "recipes\\").replace(
        ".venv\\Scripts\\pytest", "set PYTHONUTF8=1&& pytest"
    )
    assert windows.text.replace(".venv\\Scripts\\pytest", "pytest") == translated


def test_ci_runs_the_two_commands_as_they_stand() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert 'bash -euo pipefail -c "$(readme_command 1)"' in script
    assert 'bash -euo pipefail -c "$(readme_command 2)"' in script


def printed_beside(folder: Path, document: str) -> Iterator[tuple[Block, str]]:
    """Every output that a document shows, with what its commands really print when they are run in a folder."""
    for name in ("recipes", "sim"):
        (folder / name).symlink_to(ROOT / name)
    (folder / "photo.png").symlink_to(ROOT / ".readme" / "watch.png")  # of a board, say
    environment = {
        **os.environ,
        "XDG_DATA_HOME": str(folder / "data"),
        "XDG_RUNTIME_DIR": str(folder),
        "COLUMNS": "120",
        "NO_COLOR": "1",
    }
    told = blocks(document)
    for block, after in zip(told, [*told[1:], Block("", "", "")], strict=True):
        if block.kind != "sh" or block.section == "Set up":
            continue
        printed = ""
        for line in block.text.strip().splitlines():
            done = subprocess.run(
                re.sub("^wavewright ", lambda _: f"{sys.executable} -m wavewright ", line),
                shell=True,
                check=False,
                cwd=folder,
                env=environment,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
            )
            assert done.returncode in (0, 1), f"{line}\n{done.stderr}"
            printed += done.stdout
        if after.kind == "text":
            yield after, printed


WITH_OUTPUT = [page for page in PAGES if "```text" in page.read_text(encoding="utf-8")]


@pytest.mark.posix("prints paths as they are there, and types into its shell")
@pytest.mark.slow
@pytest.mark.parametrize("page", WITH_OUTPUT, ids=[page.stem for page in WITH_OUTPUT])
def test_every_command_prints_what_stands_there(page: Path, tmp_path: Path) -> None:
    compared = 0
    for shown, printed in printed_beside(tmp_path, page.read_text(encoding="utf-8")):
        assert plain(printed) == plain(shown.text)
        compared += 1
    assert compared >= 1


def test_outputs_are_shown_and_the_readme_stays_short() -> None:
    assert {page.stem for page in WITH_OUTPUT} >= {"README", "runs", "batches"}
    assert len(README.splitlines()) <= 172  # two screens


def test_every_page_of_the_guide_is_a_topic_and_in_the_readme() -> None:
    assert {page.stem for page in GUIDE} == set(ORDER)
    for page in GUIDE:
        assert (
            f"[`{page.stem}`]({page.relative_to(ROOT).as_posix()}) | {page.read_text().splitlines()[0][2:]} |" in README
        )


def test_the_recipe_shown_is_the_one_that_is_shipped() -> None:
    (shown,) = [block.text for block in blocks() if block.kind == "yaml" and block.section == "A recipe"]
    assert shown == (ROOT / "recipes" / "rail_ripple.yaml").read_text(encoding="utf-8")


def test_the_python_shown_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    (shown,) = [block.text for block in blocks() if block.kind == "python"]
    trace = tmp_path / "trace.csv"
    trace.write_text("time (s),out (V)\n" + "".join(f"{k}e-6,{min(max(k - 100, 0), 50) / 10}\n" for k in range(400)))
    exec(compile(shown.replace("trace.csv", trace.as_posix()), "README.md", "exec"), {})


def test_examples_that_are_named_are_there() -> None:
    named = {name for page in PAGES for name in re.findall(r"`(\w+\.yaml)`", page.read_text(encoding="utf-8"))}
    assert len(named) > 4
    for name in named:
        assert (ROOT / "recipes" / name).exists(), name
    for path in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / path).exists(), path


def refill() -> int:
    """Replace each output that is no longer what is printed: `python -m tests.test_readme`; how many."""
    count = 0
    for page in WITH_OUTPUT:
        text = page.read_text(encoding="utf-8")
        with tempfile.TemporaryDirectory() as folder:
            for shown, printed in printed_beside(Path(folder), text):
                assert plain(printed), f"{page.name}: nothing is printed where this stands: {shown.text[:60]}"
                assert shown.text, f"{page.name}: an empty output cannot be distinguished from others"
                if plain(printed) != plain(shown.text):
                    lines = (line.rstrip() for line in ANSI.sub("", printed).strip().splitlines())
                    text = text.replace(f"```text\n{shown.text}", "```text\n" + "\n".join(lines) + "\n")
                    count += 1
        page.write_text(text, encoding="utf-8")
    return count


if __name__ == "__main__":
    print(f"{refill()} outputs were others")
