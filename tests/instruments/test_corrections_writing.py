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
    whole = text.removesuffix(gain_entry()).replace("# Station 2\n", "# Station 2\nentries: 2\n")
    assert now.startswith(whole)
    assert (written.kept, len(written.replaced)) == (1, 1)
    file = load_corrections(path)[0]
    assert [float(one.value) for one in file.corrections] == pytest.approx([0.0025, 0.005])
    assert file.corrections[1].replaces == "0.25 % of 2026-03-02"


@pytest.mark.parametrize(
    "text",
    [
        "wavewright-corrections: 1\ncorrections: []\n",
        "wavewright-corrections: 1\n",
        "{wavewright-corrections: 1}\n",
        "entries: 1   # a gain\nwavewright-corrections: 1\ncorrections:\n" + gain_entry(more="input: 2, range: 8 V, "),
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


def words(one: Correction) -> dict[str, str]:
    return {key: str(value) for key, value in one.model_dump().items()}


def test_a_written_file_that_was_cut_anywhere_is_refused(tmp_path: Path) -> None:
    """At every character: between two entries, within one after its last needed key, within the head."""
    path, cut = tmp_path / "corrections.yaml", tmp_path / "cut.yaml"
    more = "input: {}, range: 8 V, probe: 10x, impedance: 1 Mohm, by: R. Okafor, evidence: 20260302-101500-00c0ffee, "
    write_corrections(path, [gain(tmp_path, more=more.format(number)) for number in (1, 2, 3)])
    text = path.read_text()
    whole = [words(one) for one in load_corrections(path)[0].corrections]
    kept = 0
    for end in range(len(text)):
        cut.write_text(text[:end])
        try:
            found = load_corrections(cut)[0].corrections
        except FileFault:
            continue
        kept += 1
        assert [words(one) for one in found] == whole, text[end - 40 : end]
    assert kept <= 1  # the last line end alone may be lacking


def test_an_entry_too_few_is_told(tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    path.write_text("entries: 2\n" + text_of(gain_entry()))
    with pytest.raises(FileFault) as refused:
        load_corrections(path)
    assert str(refused.value).startswith(f"{path}:1:1: `entries: 2`, and there are 1 corrections")
    assert "calibrate again" in refused.value.do


def test_what_corrections_share_is_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "corrections.yaml"
    shared = 'shared: {"meter dc_voltage gain, 20260302-101500": -0.012 %, "level[at=2.5 V].told": 0.009 %}, '
    write_corrections(path, [gain(tmp_path, more=f"input: 1, range: 8 V, {shared}")])
    (one,) = load_corrections(path)[0].corrections
    assert {name: float(part) for name, part in one.shared.items()} == {
        "meter dc_voltage gain, 20260302-101500": pytest.approx(-1.2e-4),
        "level[at=2.5 V].told": pytest.approx(9e-5),
    }


def test_parts_that_are_more_than_the_whole_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="the parts in `shared` are"):
        gain(tmp_path, more="input: 1, range: 8 V, shared: {meter: 0.03 %}, ")
