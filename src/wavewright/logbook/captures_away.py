"""Captures that are nowhere: missing, or taken by a rule, which are two things for whoever wants to compute again."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from wavewright.errors import StorageFault


class CapturesTakenOut(StorageFault):
    """Captures that a rule took: nothing is wrong with the logbook, and nobody need look for them."""


def captures_away(path: Path, stores: Iterable[str], taken: str) -> StorageFault:
    """What to say of a file of codes that is neither here nor in a shared store.

    Parameters
    ----------
    stores : the URLs of shared stores that were asked.
    taken : what became of them, if they were taken out rightly; empty if not.
    """
    if taken:
        return CapturesTakenOut(f"the captures were {taken}", where=str(path), do="take them from a backup")
    return StorageFault(
        "the captures are missing",
        where=str(path),
        expected="this file" + "".join(f", or one in {store}" for store in stores),
        do="name the store that has them with --captures; `wavewright logbook verify` says which are missing",
    )
