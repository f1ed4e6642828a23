"""Changes of the file: nothing but what they change, byte for byte, over every shipped recipe.

ruamel.yaml, a round-trip library, is the witness that comments and values are where they were.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from tests.pages.command_watched import ROOT
from wavewright.errors import FileFault, Misuse, StorageFault
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.recipe_numbers import TurnableNumber, turnable_numbers

RECIPES = sorted((ROOT / "recipes").glob("*.yaml"))


@cache
def numbers_of(path: Path) -> tuple[TurnableNumber, ...]:
    return turnable_numbers(path.read_text(encoding="utf-8"))


CHOSEN = st.sampled_from(RECIPES).flatmap(lambda path: st.tuples(st.just(path), st.sampled_from(numbers_of(path))))


def comments(text: str) -> list[str]:
    """Every comment of a text, by ruamel.yaml's scanner."""
    found: list[str] = []
    for token in YAML(typ="rt").scan(io.StringIO(text)):
        for one in (getattr(token, "comment", None) or []) if not isinstance(token, str) else []:
            each = one if isinstance(one, list) else [one]
            found += [str(part.value).strip() for part in each if part is not None]
    return found


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(
    chosen=CHOSEN, steps=st.integers(-3, 3).filter(bool),
    form=st.sampled_from([lambda content: content, lambda content: b"\xef\xbb\xbf" + content.replace(b"\n", b"\r\n")]),
)  # fmt: skip
def test_a_nudge_changes_its_line_alone_and_undo_brings_back_every_byte(
    tmp_path: Path, chosen: tuple[Path, TurnableNumber], steps: int, form: Callable[[bytes], bytes]
) -> None:
    # given a shipped recipe, or the same as an editor on Windows writes it
    source, number = chosen
    path = tmp_path / source.name
    before = form(source.read_bytes())
    path.write_bytes(before)
    document = RecipeDocument(path)
    # when a number is nudged
    try:
        document.nudge(number.id, steps)
    except Misuse:  # it would make no recipe: nothing has been written
        assert path.read_bytes() == before
        return
    # then its line is another one, and no other is
    after = path.read_bytes()
    old, new = before.split(b"\n"), after.split(b"\n")
    changed = [place for place, (one, other) in enumerate(zip(old, new, strict=True)) if one != other]
    assert changed == [source.read_text()[: number.begin].count("\n")] or after == before
    assert document.now.recipe is not None
    assert comments(after.decode("utf-8-sig")) == comments(before.decode("utf-8-sig"))
    # and undo and redo lead to the same bytes
    if after != before:
        document.undo()
        assert path.read_bytes() == before
        document.redo()
        assert path.read_bytes() == after


def test_every_shipped_recipe_has_numbers_to_turn_where_they_are_said_to_be() -> None:
    for path in RECIPES:
        text = path.read_text()
        lines = text.split("\n")
        for number in numbers_of(path):
            shown = number.shown(text)
            assert lines[shown.line - 1][shown.column - 1 :][: shown.length] == shown.text
        assert numbers_of(path), path


@pytest.fixture
def rail(tmp_path: Path) -> Path:
    path = tmp_path / "rail.yaml"
    path.write_bytes((ROOT / "recipes/rail_ripple.yaml").read_bytes())
    return path


LIMIT = "measurements.rail_noise.compute.ripple.limit"


def test_an_edit_keeps_the_words_around_the_number(rail: Path) -> None:
    document = RecipeDocument(rail)
    document.edit(LIMIT, "50 mV")
    assert "limit: at most 50 mV}" in rail.read_text()


@pytest.mark.parametrize(
    "text", ["50 metres", "", "50 mV, over: max", "50 mV}\n  x: {", "50 mV # so", "'50 mV'", "a: b"]
)
def test_an_edit_that_is_no_number_there_is_refused_and_nothing_written(rail: Path, text: str) -> None:
    before = rail.read_bytes()
    document = RecipeDocument(rail)
    with pytest.raises(Misuse):
        document.edit(LIMIT, text)
    assert rail.read_bytes() == before
    assert document.revision == 1


def test_a_change_from_outside_wins_and_takes_undo_with_it(rail: Path) -> None:
    document = RecipeDocument(rail)
    document.nudge(LIMIT, 1)
    outside = rail.read_bytes().replace(b"2 ms", b"4 ms")
    rail.write_bytes(outside)
    with pytest.raises(Misuse, match="changed meanwhile"):
        document.nudge(LIMIT, 1)
    assert rail.read_bytes() == outside
    assert document.message(simulated=True).from_outside
    with pytest.raises(Misuse, match="no change of this page"):
        document.undo()


def test_a_change_that_is_meant_for_an_older_text_is_refused(rail: Path) -> None:
    document = RecipeDocument(rail)
    document.nudge(LIMIT, 1, revision=1)
    with pytest.raises(Misuse, match="meant for text 1, and the newest is 2"):
        document.nudge(LIMIT, 1, revision=1)
    with pytest.raises(Misuse, match="meant for text 1"):
        document.type_text("wavewright: 1\n", revision=1)


def test_a_typed_text_may_have_faults_and_they_are_shown_at_their_lines(rail: Path) -> None:
    document = RecipeDocument(rail)
    document.type_text(document.now.text.replace("2 ms", "2 metres"), revision=1)
    shown = document.message(simulated=True)
    assert [(one.line, one.column) for one in shown.faults] == [(8, 22)]
    assert "no unit `metres`" in shown.faults[0].text
    assert shown.faults[0].cure
    assert document.now.recipe is None


def test_a_file_that_is_deleted_is_a_fault_and_its_return_is_seen(rail: Path) -> None:
    document, content = RecipeDocument(rail), rail.read_bytes()
    rail.unlink()
    assert document.look()
    assert not document.look()
    assert "no such file" in document.now.faults[0].text
    with pytest.raises((Misuse, StorageFault)):
        document.nudge(LIMIT, 1)
    rail.write_bytes(content)
    assert document.look()
    assert document.now.recipe is not None


@pytest.mark.posix("permissions of folders")
@pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written_to_is_said(rail: Path) -> None:
    document = RecipeDocument(rail)
    rail.parent.chmod(0o500)
    try:
        with pytest.raises(StorageFault, match="copy it to a folder of your own"):
            document.nudge(LIMIT, 1)
    finally:
        rail.parent.chmod(0o700)


def test_a_disk_that_takes_nothing_is_said_and_the_text_stays(rail: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = rail.read_bytes()
    document = RecipeDocument(rail)

    def full(path: Path, content: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("wavewright.pages.recipe_document.write_whole", full)
    with pytest.raises(StorageFault, match="No space left"):
        document.nudge(LIMIT, 1)
    assert rail.read_bytes() == before
    assert document.revision == 1


def test_there_must_be_a_file_to_begin_with(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="no such file"):
        RecipeDocument(tmp_path / "absent.yaml")
