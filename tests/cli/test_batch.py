"""`wavewright run --batch` on the simulated line."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from wavewright.reporting.big_word import HEIGHT, LETTERS, big_word

ROOT = Path(__file__).parents[2]
RUN = ("run", ROOT / "recipes" / "rail_ripple.yaml", "--bench", ROOT / "sim" / "bench_line.yaml", "--yes")
Command = Callable[..., Spoken]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_lot_from_a_file_ends_with_its_yield_and_capability(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("# lot 7\nVC204-0002\nVC204-0003\n\nVC204-0004\n")
    told = wavewright(*RUN, "--serials", "lot.txt", "--seed-from-serial", "--batch-name", "lot7")
    assert told.status == 0
    assert "first-pass yield: 100.0 % (3 of 3 units)" in told.stdout
    assert "rail_noise.ripple: mean" in told.stdout
    assert "Cpk" in told.stdout
    assert "3 of 3 runs passed" in told.stderr
    assert big_word("pass")[0] in told.stderr
    again = wavewright(*RUN, "--serials", "lot.txt", "--seed-from-serial", "--batch-name", "lot7")
    assert again.stderr.count("has passed in this batch") == 3
    assert len(wavewright("logbook", "find", "--batch-name", "lot7", "--json").json) == 3


def test_serial_numbers_come_from_whoever_types_or_scans(wavewright: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("VC204-0007\nwrong\n\nVC204-0008\n"))
    told = wavewright(*RUN, "--batch", "--serial-pattern", r"VC204-\d{4}", "--json")
    assert told.status == 0
    assert [run["serial"] for run in told.json["runs"]] == ["VC204-0007"]
    assert told.json["refused"] == [{"serial": "wrong", "why": r"does not match `VC204-\d{4}`"}]
    assert told.json["first_pass_yield"]["count"] == 1


def test_a_bad_lot_stops_and_fails(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("VC204-0001\nVC204-0002\nVC204-0003\n")
    faulty = ("--bench", ROOT / "sim" / "bench_faulty.yaml", "--yes")
    told = wavewright(*RUN[:2], *faulty, "--serials", "lot.txt", "--stop-after", 2)
    assert told.status == 1
    assert "failed: rail_noise.ripple in 2 runs" in told.stdout
    assert told.stdout.splitlines()[-1] == "stopped: 2 units in a row did not pass"
    assert "the batch stops: 2 units in a row did not pass" in told.stderr


def test_an_empty_lot_is_refused(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("# nothing yet\n")
    told = wavewright(*RUN, "--serials", "lot.txt")
    assert told.status == 3
    assert told.stderr.strip().splitlines()[-2:] == ["lot.txt: no serial numbers", "  expected: one a line"]


def test_a_batch_wants_a_logbook(wavewright: Command) -> None:
    assert wavewright(*RUN, "--batch", "--no-logbook").status == 64


def test_every_verdict_can_be_written_large() -> None:
    for word in ("pass", "fail", "inconclusive", "error"):
        assert set(word.upper()) <= set(LETTERS)
        assert len(big_word(word)) == HEIGHT
