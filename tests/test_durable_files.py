"""A file that another program has open: waited for a little, then a clear error, and nothing is lost."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from wavewright import durable_files
from wavewright.durable_files import IN_USE, put_in_place, sync_file, sync_folder, write_whole

SHARING, NO_ROOM = 32, 112  # Windows' ERROR_SHARING_VIOLATION and ERROR_DISK_FULL (Windows API, system error codes †)


def refused(number: int) -> PermissionError:
    """What Python raises on Windows for that number."""
    fault = PermissionError(errno.EACCES, "in use")
    setattr(fault, "winerror", number)  # noqa: B010  (an attribute on Windows alone)
    return fault


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> list[OSError]:
    """Faults that the next moves of files end with, the first first."""
    faults: list[OSError] = []
    plain = Path.replace

    def replace(part: Path, target: Path) -> Path:
        if faults:
            raise faults.pop(0)
        return plain(part, target)

    monkeypatch.setattr(Path, "replace", replace)
    monkeypatch.setattr(durable_files, "_PAUSE", 0.0)
    return faults


def test_what_a_scanner_has_open_for_a_moment_is_waited_for(tmp_path: Path, held: list[OSError]) -> None:
    held += [refused(SHARING)] * 3
    write_whole(tmp_path / "report.html", "new")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == "new"
    assert held == []


def test_what_stays_open_is_said_and_the_old_file_stays(
    tmp_path: Path, held: list[OSError], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(durable_files, "PATIENCE", -1.0)
    (tmp_path / "table.csv").write_text("old", encoding="utf-8")
    held.append(refused(SHARING))
    with pytest.raises(PermissionError) as caught:
        write_whole(tmp_path / "table.csv", "new")
    assert (caught.value.strerror, caught.value.filename) == (IN_USE, str(tmp_path / "table.csv"))
    assert [(path.name, path.read_text(encoding="utf-8")) for path in tmp_path.iterdir()] == [("table.csv", "old")]


def test_any_other_fault_is_not_waited_for(tmp_path: Path, held: list[OSError]) -> None:
    for fault in (refused(NO_ROOM), PermissionError(errno.EACCES, "Permission denied"), OSError(errno.EXDEV, "no")):
        held.append(fault)
        with pytest.raises(OSError) as caught:  # noqa: PT011
            write_whole(tmp_path / "table.csv", "new")
        assert caught.value is fault
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_really_is_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(durable_files, "PATIENCE", -1.0)
    part, target = tmp_path / "part", tmp_path / "target"
    part.write_text("new", encoding="utf-8")
    target.write_text("old", encoding="utf-8")
    with target.open(encoding="utf-8") as reader:
        if os.name == "posix":  # whoever reads goes on with what was there
            put_in_place(part, target)
            assert (reader.read(), target.read_text(encoding="utf-8")) == ("old", "new")
        else:
            with pytest.raises(PermissionError, match="another program has it open"):
                put_in_place(part, target)
            assert (part.read_text(encoding="utf-8"), target.read_text(encoding="utf-8")) == ("new", "old")


@pytest.mark.parametrize("drive_is_asked", [True, False])
def test_the_drive_is_asked_too_where_the_system_does_not(
    drive_is_asked: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given macOS, and a file system that knows the command or not
    asked: list[int] = []
    synced: list[int] = []

    def control(handle: int, command: int) -> None:
        asked.append(command)
        if not drive_is_asked:
            raise OSError(errno.ENOTSUP, "not supported")

    monkeypatch.setattr(durable_files, "_TO_THE_PLATTER", 51)
    monkeypatch.setattr(durable_files, "_fcntl", SimpleNamespace(fcntl=control))
    monkeypatch.setattr(os, "fsync", synced.append)
    (tmp_path / "file").write_bytes(b"1")
    sync_file(tmp_path / "file")
    sync_folder(tmp_path)
    folders = 1 if hasattr(os, "O_DIRECTORY") else 0
    assert asked == [51] * (1 + folders)
    assert len(synced) == (0 if drive_is_asked else 1 + folders)
