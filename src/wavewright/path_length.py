"""How long a path may be: Windows opens one of more than 259 characters only in a form of its own.

Newer versions of it take longer ones where its administrator has allowed that; nobody needs to have. Folders of
evidence and files of codes have long names below a folder that has one itself, so they are the ones that get there.
"""

from __future__ import annotations

import os
from pathlib import Path

ROOM_FOR_A_FILE = 40  # characters: a separator, and the longest name that a file of ours has, while it is written
LONGEST = 247  # of a folder, 12 fewer than of a file in it (Windows API, MAX_PATH †)
_FORM, _SHARE = "\\\\?\\", "\\\\"


def within_reach(path: Path, room: int = 0) -> Path:
    """The path in a form in which the operating system opens it, and names of `room` characters below it.

    Everything else than a path that is too long for Windows is left as it is.
    """
    if os.name != "nt":
        return path
    whole = str(path.absolute())  # that form knows neither `..` nor the current folder
    return path if len(whole) + room <= LONGEST else Path(extended(os.path.normpath(whole)))


def extended(whole: str) -> str:
    r"""A path from its drive or share on as Windows takes it at any length: `\\?\C:\…`, `\\?\UNC\server\share\…`."""
    if whole.startswith((_FORM, "\\\\.\\")):
        return whole
    return f"{_FORM}UNC\\{whole.removeprefix(_SHARE)}" if whole.startswith(_SHARE) else _FORM + whole
