"""Whether a file lies on a drive of another computer, as far as the operating system tells.

SQLite's write-ahead log keeps its index in memory that programs share, which those of two computers cannot; a rollback
journal needs no more than locks, which network drives mostly have (SQLite documentation, "Write-Ahead Logging" †).
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path, PureWindowsPath
from typing import Any

REMOTE = 4  # what Windows calls the drive of another computer (Windows API, GetDriveTypeW †)
MOUNTS = Path("/proc/self/mountinfo")  # of Linux; where there is none, a file counts as one of this computer
TYPES = frozenset(
    {
        "9p", "afs", "beegfs", "ceph", "cifs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs",
        "fuse.sshfs", "gfs2", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "smb3", "smbfs",
        "virtiofs",
    }
)  # fmt: skip


def is_on_network_drive(path: Path) -> bool:
    """Whether the drive that holds a file, or will hold it, is one of another computer."""
    if os.name == "nt":
        drive = drive_of(str(path.absolute()))
        return drive.startswith("\\\\") or _drive_type(drive) == REMOTE  # a share is one, whoever answers for it
    try:
        lines = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return False
    return type_of_mount(path.resolve(), lines) in TYPES


def drive_of(whole: str) -> str:
    r"""The drive or share of a whole path of Windows, as it asks for it: `X:\`, `\\server\share\`."""
    for form, plain in (("\\\\?\\UNC\\", "\\\\"), ("\\\\?\\", "")):  # that of paths that are too long
        if whole.startswith(form):
            return drive_of(plain + whole.removeprefix(form))
    return PureWindowsPath(whole).anchor


def type_of_mount(path: Path, lines: Iterable[str]) -> str:
    """The type of the file system that a path is on, by Linux's list of mounts; empty where none holds it."""
    found, depth = "", -1
    for line in lines:
        place, separator, what = line.partition(" - ")
        if not separator:
            continue
        mounted = Path(_plain(place.split(" ")[4]))
        # of two at one place the later one hides the other
        if path.is_relative_to(mounted) and len(mounted.parts) >= depth:
            found, depth = what.split(" ")[0], len(mounted.parts)
    return found


def _plain(name: str) -> str:
    """A name of that list, in which a space, say, is written as a backslash with three octal digits."""
    for code in (" ", "\t", "\n", "\\"):
        name = name.replace(f"\\{ord(code):03o}", code)
    return name


def _drive_type(drive: str) -> int:
    import ctypes

    system: Any = vars(ctypes)["windll"]
    return int(system.kernel32.GetDriveTypeW(ctypes.c_wchar_p(drive)))
