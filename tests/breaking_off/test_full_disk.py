"""A disk that fills up at every write: a small tmpfs with room for one page more each time.

Every 6th page, and every page with WAVEWRIGHT_PROOF=full. What makes the disk full is another file on it, which appears
when the first shot is about to be taken: a disk that is full before that is refused before the first message.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.breaking_off.prepared import ROOT
from tests.breaking_off.test_kills import RECIPE
from tests.logbook.made_outcomes import outcome as made_outcome
from tests.running.test_outputs_under_faults import outputs_on
from wavewright.cli.main import execute
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.delivery import forward_waiting
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.kept_run import run
from wavewright.logbook.recompute import recompute
from wavewright.logbook.verification import verify
from wavewright.running.run_context import Silent

pytestmark = [pytest.mark.slow, pytest.mark.posix("mounts a small disk")]

STEP = 1 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 6
PAGE = 4096
SIZE = 6 << 20  # bytes of the disk


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    try:
        mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "none", str(place)]
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as fault:
        pytest.skip(f"NOT TESTED on a full disk: a tmpfs cannot be mounted here ({fault})")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def free(disk: Path) -> int:
    found = os.statvfs(disk)
    return found.f_bavail * found.f_frsize


def fill(disk: Path, *, leave: int) -> None:
    """Leave so many pages."""
    with (disk / "ballast").open("wb") as file:
        file.write(bytes(max(0, free(disk) - leave * PAGE)))


class Filling(Silent):
    """Fills the disk as the first measurement begins, and counts the shots that were said to be in."""

    def __init__(self, disk: Path, leave: int) -> None:
        self._disk, self._leave = disk, leave
        self.room = 0
        self.in_shots = 0

    def begin(self, label: str, *, shots: int) -> None:
        if not self.room:
            fill(self._disk, leave=self._leave)
            self.room = free(self._disk)

    def shot(self, number: int) -> None:
        self.in_shots += 1


Tried = Callable[[Path, Path, Path, int], bool]


@pytest.fixture
def tried(tmp_path: Path, disk: Path, libraries: list[Any]) -> Tried:
    """Run with so many pages left for evidence and logbook; returns whether the disk was full for something."""
    (tmp_path / "recipe.yaml").write_text(RECIPE)

    def call(out: Path, logbook: Path, folder: Path, leave: int) -> bool:
        filling, said = Filling(disk, leave), list[str]()
        is_full, refused = False, (True, "full")
        try:
            outcome = run(
                folder / "recipe.yaml", bench=ROOT / "sim/bench.yaml", out=out, logbook=logbook,
                serial=f"A{leave}", progress=filling, say=said.append,
            )  # fmt: skip
            is_full = bool(outcome.error or outcome.waits_in)
            assert not outcome.error or "No space left" in outcome.error
        except StorageFault as fault:
            is_full = True
            refused = (fault.outcome is not None, str(fault))
        assert refused[0]
        assert "No space left" in refused[1] or "full" in refused[1]
        assert outputs_on(libraries[-1]) == []
        # when there is room again, everything but the shot in the air is entered, once
        (disk / "ballast").unlink(missing_ok=True)
        with Logbook(logbook) as book:
            forward_waiting(book, out, say=said.append)
            import_outcomes(book, out)
            kept = book.outcome("last")
            assert kept.serial == f"A{leave}"
            shots = sum(one.shots for one in kept.measurements)
            assert filling.in_shots <= shots <= filling.in_shots + 1
            assert recompute(kept).is_same
            assert kept.verdict == "error" or shots == 10
            assert verify(book).flaws == ()
        assert list(out.glob(".2*")) == []
        return is_full

    return call


def test_the_disk_of_the_evidence_is_full(
    tmp_path: Path, disk: Path, tried: Tried, capsys: pytest.CaptureFixture[str]
) -> None:
    count, leave = 0, 0
    while tried(disk / "outcomes", tmp_path / "book.sqlite", tmp_path, leave):
        count, leave = count + 1, leave + STEP
    assert count >= 36 // STEP
    with capsys.disabled():
        print(f"\nfull disk of the evidence: {count} of {count} right, 0 to {leave - STEP} pages left")


def test_the_disk_of_the_logbook_is_full(
    tmp_path: Path, disk: Path, tried: Tried, capsys: pytest.CaptureFixture[str]
) -> None:
    count, leave = 0, 0
    while tried(tmp_path / "outcomes", disk / "book.sqlite", tmp_path, leave):
        count, leave = count + 1, leave + STEP
    assert count >= 12 // STEP
    with capsys.disabled():
        print(f"\nfull disk of the logbook: {count} of {count} right, 0 to {leave - STEP} pages left")


def test_a_disk_that_is_full_before_is_refused_before_the_first_message(
    tmp_path: Path, disk: Path, libraries: list[Any]
) -> None:
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    fill(disk, leave=20)
    with pytest.raises(StorageFault, match="MB are free"):
        run(tmp_path / "recipe.yaml", bench=ROOT / "sim/bench.yaml", out=disk / "outcomes")
    assert libraries == []
    assert list((disk / "outcomes").iterdir()) == []


FILES = [
    ("export", ["logbook", "export", "{file}.csv"]),
    ("export of whole runs", ["logbook", "export", "{file}.jsonl"]),
    ("report", ["report", "last", "--out", "{file}.html"]),
    ("trend", ["logbook", "trend", "rail_noise.ripple", "--out", "{file}.html"]),
]


@pytest.mark.parametrize("arguments", [row[1] for row in FILES], ids=[row[0] for row in FILES])
def test_a_file_that_somebody_named_stays_as_it_was(
    arguments: list[str], tmp_path: Path, disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        book.enter_all(made_outcome(number, seed=number) for number in range(20))
    words = [word.format(file=disk / "named") for word in arguments] + ["--logbook", str(tmp_path / "book.sqlite")]
    assert execute(words) == 0
    (path,) = disk.iterdir()
    whole = path.read_bytes()
    pages = len(whole) // PAGE
    for leave in sorted({0, pages // 2, max(0, pages - 1)}):
        fill(disk, leave=leave)
        assert execute(words) == 3
        assert "No space left" in capsys.readouterr().err
        (disk / "ballast").unlink()
        assert [one.name for one in disk.iterdir()] == [path.name]
        assert path.read_bytes() == whole
