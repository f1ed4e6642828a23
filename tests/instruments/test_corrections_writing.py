"""Writing corrections: whole or not at all, other entries and comments kept, the old value noted in the new one."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.instruments.test_corrections import gain_entry, read, text_of
from wavewright.errors import FileFault, StorageFault
from wavewright.instruments.corrections_file import Correction, load_corrections
from wavewright.instruments.corrections_writing import with_corrections, write_corrections
from wavewright.running.bench_lock import bench_lock


def gain(tmp_path: Path, **changed: str) -> Correction:
    folder = tmp_path / "made"
    folder.mkdir(exist_ok=True)
    (one,) = read(text_of(gain_entry(**changed)), folder).corrections
    return one


def test_a_new_file_says_what_it_is_and_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    written = write_corrections(path, [gain(tmp_path, value="-0.31 %")])
    assert (written.kept, written.replaced) == (0, ())
    assert path.read_text().startswith("# Written by `wavewright calibrate`")
    (one,) = load_corrections(path)[0].corrections
    assert float(one.value) == pytest.approx(-0.0031)


def test_other_entries_and_comments_stay_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    other = gain_entry(more="input: 2, range: 8 V, probe: 10x, ")
    text = (
        f"# Station 2\nwavewright-corrections: 1\nabout: station 2   # by the door\ncorrections:\n{other}{gain_entry()}"
    )
    path.write_text(text)
    written = write_corrections(path, [gain(tmp_path, value="0.5 %", date="2026-06-01")])
    now = path.read_text()
    assert now.startswith(text.removesuffix(gain_entry()))
    assert (written.kept, len(written.replaced)) == (1, 1)
    file = load_corrections(path)[0]
    assert [float(one.value) for one in file.corrections] == pytest.approx([0.0025, 0.005])
    assert file.corrections[1].replaces == "0.25 % of 2026-03-02"


@pytest.mark.parametrize(
    "text",
    [
        "wavewright-corrections: 1\ncorrections: []\n",
        "wavewright-corrections: 1\n",
        "corrections:\n" + gain_entry(more="input: 2, range: 8 V, ") + "wavewright-corrections: 1\nabout: last\n",
        "wavewright-corrections: 1\ncorrections:\n" + gain_entry().rstrip("\n"),
        "wavewright-corrections: 1\ncorrections: [" + gain_entry().strip().removeprefix("- ") + "]\n",
    ],
)
def test_any_form_of_the_file_can_be_added_to(text: str, tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    path.write_text(text)
    before = {one.subject: float(one.value) for one in load_corrections(path)[0].corrections}
    new = gain(tmp_path, value="0.7 %")
    write_corrections(path, [new])
    after = {one.subject: float(one.value) for one in load_corrections(path)[0].corrections}
    assert after == {**before, new.subject: pytest.approx(0.007)}


@pytest.mark.parametrize("text", ["wavewright-corrections: 1\ncorrections:\n  - {quantity: ga", "", "[]", "\x00"])
def test_a_file_that_cannot_be_read_is_never_overwritten(text: str, tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    path.write_text(text)
    with pytest.raises(FileFault):
        write_corrections(path, [gain(tmp_path)])
    assert path.read_text() == text


def test_a_writing_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "corrections.yaml"
    path.write_text(text_of(gain_entry()))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageFault, match="No space left"):
        write_corrections(path, [gain(tmp_path, value="9 %")])
    assert path.read_text() == text_of(gain_entry())
    assert [one.name for one in tmp_path.iterdir() if one.is_file()] == ["corrections.yaml"]


def test_two_writers_at_once_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    path = tmp_path / "corrections.yaml"
    ours = [gain(tmp_path, more=f"input: {number}, range: 8 V, ") for number in range(1, 9)]

    def write(one: Correction) -> None:
        with bench_lock([str(path)], what="calibration", patience=60.0):
            write_corrections(path, [one])

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, ours))
    assert {one.subject for one in load_corrections(path)[0].corrections} == {one.subject for one in ours}


def test_trying_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    proposed = with_corrections(path, [gain(tmp_path)])
    assert not path.exists()
    assert "quantity: gain" in proposed.text
