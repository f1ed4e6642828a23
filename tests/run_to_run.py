"""What commands print, without what differs from run to run and says nothing: for outputs that documents show."""

from __future__ import annotations

import re

ANSI = re.compile(r"\x1b\[[0-9;]*m")

_VARYING = (
    (ANSI, ""),
    (re.compile(r"^(ok|rounded|not read back|failed|not sent) +\d+\.\d\d ms", re.MULTILINE), r"\1 DURATION"),
    (re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}"), "RUN"),
    # the second of two runs that begin in one second has a folder whose name ends with a number
    (re.compile(r"(\d{8}T\d{6}Z-\S*?)-[2-9](?![\w.+=-])"), r"\1"),
    (re.compile(r"\d{8}T\d{6}Z"), "TIME"),
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?"), "TIME"),
    (re.compile(r"[ \t]+$", re.MULTILINE), ""),
)


def plain(printed: str) -> str:
    """What was printed, without what differs from run to run."""
    for pattern, word in _VARYING:
        printed = pattern.sub(word, printed)
    return printed.strip()
