"""The tutorial on profiles: every stage is carried out, and prints what stands there."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.developers.document import ROOT, blocks, changed
from tests.developers.play import furnish, played
from tests.run_to_run import plain
from wavewright.instruments.profile import load_profile

SECTION = "A new instrument, from the manual page to a passed exercise"
SHIPPED = ROOT / "sim" / "profiles" / "grid-digitizer.yaml"


def written(stage: int | None = None) -> str:
    """The profile as the blocks write and change it, up to a change counted from 0; to the end if None."""
    text, changes = "", 0
    for block in blocks(SECTION):
        if block.name != "grid.yaml":
            continue
        if block.kind == "yaml":
            text = block.text
        elif stage is None or changes <= stage:
            text = changed(text, block.text)
            changes += 1
    return text


def meaning(file: Path) -> dict[str, Any]:
    return load_profile(str(file)).grammar.model_dump(exclude={"name"})


@pytest.mark.slow
@pytest.mark.posix("types the commands into a POSIX shell")
def test_every_stage_prints_what_stands_there(tmp_path: Path) -> None:
    furnish(tmp_path)
    stages = 0
    for commands, shown, printed in played(blocks(SECTION), tmp_path):
        assert plain(printed) == plain(shown.text), commands.text
        stages += 1
    assert stages >= 12
    assert meaning(tmp_path / "grid.yaml") == meaning(SHIPPED)


def test_the_last_stage_means_what_the_shipped_profile_means(tmp_path: Path) -> None:
    (tmp_path / "grid.yaml").write_text(written(), encoding="utf-8")
    assert meaning(tmp_path / "grid.yaml") == meaning(SHIPPED)


def test_no_stage_but_the_last_means_it(tmp_path: Path) -> None:
    changes = sum(block.kind == "diff" and block.name == "grid.yaml" for block in blocks(SECTION))
    assert changes >= 6
    for stage in range(changes - 1):
        (tmp_path / "grid.yaml").write_text(written(stage), encoding="utf-8")
        assert meaning(tmp_path / "grid.yaml") != meaning(SHIPPED), stage


def test_an_output_follows_every_exercise_run_and_check() -> None:
    section = blocks(SECTION)
    for block, after in pairwise(section):
        if block.kind == "sh" and any(word in block.text for word in ("exercise", "run", "validate")):
            assert after.kind == "text", block.text
            assert after.text.strip(), block.text


def test_a_change_that_fits_nowhere_is_an_error() -> None:
    with pytest.raises(LookupError, match="0 places"):
        changed("inputs: 4\n", "-inputs: 2\n+inputs: 3\n")
    with pytest.raises(LookupError, match="2 places"):
        changed("a: 1\na: 1\n", " a: 1\n+b: 2\n")
