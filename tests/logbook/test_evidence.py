from __future__ import annotations

import subprocess
import sys
import textwrap
import zlib
from pathlib import Path

import pytest

from tests.ending import STATUS
from tests.logbook.test_captures import no_file_larger_than, shot
from wavewright.errors import StorageFault
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.journal import read_journal
from wavewright.logbook.outcome_files import JOURNAL, outcome_as_json, read_outcome
from wavewright.logbook.unfinished import clear, recover, unfinished
from wavewright.running.outcome import Outcome


def begin(parent: Path, outcome: Outcome, *, serial: str = "VC204-0017") -> Evidence:
    return Evidence(parent, started=outcome.started, recipe="end_of_line", serial=serial)


def test_the_folder_holds_outcome_captures_and_dialogue(tmp_path: Path, outcome: Outcome) -> None:
    with begin(tmp_path, outcome) as evidence:
        evidence.wire_log.write("# wavewright wire log 1\n")
        evidence.keep("rail_noise", shot(3))
        kept = evidence.finish(outcome)

    folder = tmp_path / "20260115T093000Z-end_of_line-VC204-0017"
    assert kept.folder == folder
    assert sorted(path.name for path in folder.iterdir()) == ["captures.h5", "outcome.json", "wire.log"]
    assert (folder / "wire.log").read_text() == "# wavewright wire log 1\n"
    back = read_outcome(folder)
    assert outcome_as_json(back) == outcome_as_json(outcome)
    assert back.captures["rail_noise"][0]["rail"].codes[0] == 3
    assert kept.captures["rail_noise"][0]["rail"].codes[0] == 3


def test_two_runs_of_one_second_have_two_folders(tmp_path: Path, outcome: Outcome) -> None:
    folders = []
    for _ in range(2):
        with begin(tmp_path, outcome) as evidence:
            folders.append(evidence.finish(outcome).folder)
    assert [folder.name[-4:] for folder in folders if folder] == ["0017", "17-2"]


def test_a_name_that_another_run_takes_at_the_last_moment_gets_a_number(
    tmp_path: Path, outcome: Outcome, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two benches end runs of one second together: the name was free when this one looked."""
    taken = tmp_path / "20260115T093000Z-end_of_line-VC204-0017"
    looked: list[Path] = []
    exists = Path.exists

    def taken_after_the_look(path: Path) -> bool:
        there = exists(path)
        if path == taken and not looked:
            looked.append(path)
            taken.mkdir()
            (taken / "outcome.json").write_text("of the other run")
        return there

    with begin(tmp_path, outcome) as evidence:
        monkeypatch.setattr(Path, "exists", taken_after_the_look)
        folder = evidence.finish(outcome).folder
    assert looked
    assert folder == taken.with_name(f"{taken.name}-2")
    assert [path.read_text() for path in taken.iterdir()] == ["of the other run"]


def test_a_serial_number_cannot_lead_out_of_the_folder(tmp_path: Path, outcome: Outcome) -> None:
    with begin(tmp_path / "outcomes", outcome, serial="../../etc/7 ä") as evidence:
        folder = evidence.finish(outcome).folder
    assert folder is not None
    assert folder.parent == tmp_path / "outcomes"


def test_a_run_that_breaks_off_before_a_message_was_sent_leaves_nothing(tmp_path: Path, outcome: Outcome) -> None:
    with pytest.raises(RuntimeError, match="nobody is there"), begin(tmp_path, outcome) as evidence:  # noqa: PT012
        evidence.wire_log.write("# wavewright wire log 1\n")
        raise RuntimeError("nobody is there")
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_breaks_off_later_leaves_all_that_came(tmp_path: Path, outcome: Outcome) -> None:
    with pytest.raises(RuntimeError, match="probe slipped"), begin(tmp_path, outcome) as evidence:  # noqa: PT012
        evidence.begin(outcome, size=0)
        evidence.wire_log.write("*IDN?\n")
        evidence.keep("rail_noise", shot(3))
        raise RuntimeError("probe slipped")
    (left,) = unfinished(tmp_path)
    assert (left.serial, left.shots, left.is_alive) == ("VC204-0017", 1, False)


@pytest.mark.parametrize("points", [1000, 1_000_000])
def test_the_crc_of_a_shot_is_that_of_its_codes_whoever_computes_it(
    tmp_path: Path, outcome: Outcome, points: int
) -> None:
    shots = [shot(number, points=points) for number in range(3)]
    with begin(tmp_path, outcome) as evidence:
        for one in shots:
            evidence.keep("rail_noise", one)
            evidence.send_to_disk()
            evidence.read("rail_noise", {})
        found = [
            line.content["codes"]["rail"]["crc"]
            for line in read_journal(Path(str(evidence.left_at)) / JOURNAL)
            if line.kind == "shot"
        ]
    assert found == [zlib.crc32(one["rail"].codes.tobytes()) for one in shots]


def test_a_run_that_is_on_is_alive(tmp_path: Path, outcome: Outcome) -> None:
    with begin(tmp_path, outcome) as evidence:
        evidence.begin(outcome, size=0)
        (one,) = unfinished(tmp_path)
        assert one.is_alive
        assert clear(tmp_path, with_shots=True).folders == 0
        assert recover(tmp_path) == []


def test_a_killed_run_leaves_nothing_that_looks_like_evidence(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        import os
        from datetime import UTC, datetime
        from pathlib import Path
        from tests.ending import AT_ONCE
        from tests.logbook.test_captures import shot
        from wavewright.logbook.evidence import Evidence
        evidence = Evidence(Path({str(tmp_path)!r}), started=datetime.now(UTC), recipe="r", serial="1")
        evidence.keep("rail_noise", shot(1))
        os.kill(os.getpid(), AT_ONCE)
        """
    )
    done = subprocess.run([sys.executable, "-c", script], check=False, cwd=Path(__file__).parents[2])
    assert done.returncode == STATUS
    assert all(path.name.startswith(".") for path in tmp_path.iterdir())


@pytest.mark.posix("the kernel limits the size of files")
def test_a_full_disk_leaves_nothing_under_the_final_name(tmp_path: Path, outcome: Outcome) -> None:
    with pytest.raises(StorageFault) as caught, begin(tmp_path, outcome) as evidence, no_file_larger_than(20_000):  # noqa: PT012
        evidence.keep("rail_noise", shot(1, points=100_000))
        evidence.finish(outcome)
    assert "File too large" in str(caught.value)
    assert "do: make room" in str(caught.value)
    assert all(path.name.startswith(".") for path in tmp_path.iterdir())


@pytest.mark.posix("the kernel limits the size of files")
def test_a_full_disk_does_not_stop_the_dialogue_and_is_told_with_the_next_shot(
    tmp_path: Path, outcome: Outcome
) -> None:
    with begin(tmp_path, outcome) as evidence:
        with no_file_larger_than(1000):
            for _ in range(1000):
                evidence.wire_log.write("OUTPut:STATe 0\n" * 100)  # does not raise
        with pytest.raises(StorageFault, match=r"wire\.log"):
            evidence.keep("rail_noise", shot(1))
        with pytest.raises(StorageFault, match=r"wire\.log"):
            evidence.finish(outcome)
    assert all(path.name.startswith(".") for path in tmp_path.iterdir())


@pytest.mark.posix("a file system that refuses everybody stands for one without room or right")
def test_a_folder_that_takes_no_file_is_refused_at_the_beginning(outcome: Outcome) -> None:
    # the kernel's own file system refuses new folders even to root
    with pytest.raises(StorageFault) as caught:
        begin(Path("/proc/outcomes"), outcome)
    assert str(caught.value).startswith("/proc/outcomes: the evidence cannot be written: ")


def test_a_file_where_the_folder_should_be_is_refused_at_the_beginning(tmp_path: Path, outcome: Outcome) -> None:
    (tmp_path / "outcomes").write_text("")
    with pytest.raises(StorageFault) as caught:
        begin(tmp_path / "outcomes", outcome)
    assert str(caught.value).startswith(f"{tmp_path / 'outcomes'}: the evidence cannot be written: ")
    assert "xists" in str(caught.value)
