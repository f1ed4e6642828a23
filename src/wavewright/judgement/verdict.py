"""Verdicts: the three of ISO/IEC 9646-1 †, and error where no reading came about."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """What was found, the worst last."""

    PASS = "pass"
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"
    ERROR = "error"

    @property
    def severity(self) -> int:
        """0 for pass, up to 3 for error."""
        return _SEVERITIES[self]

    @property
    def exit_status(self) -> int:
        """The command's exit status: 0 pass, 1 fail, 2 inconclusive, 3 error."""
        return {Verdict.PASS: 0, Verdict.FAIL: 1, Verdict.INCONCLUSIVE: 2, Verdict.ERROR: 3}[self]


_SEVERITIES = {verdict: severity for severity, verdict in enumerate(Verdict)}
_WORST_FIRST = tuple(reversed(Verdict))


def combined(verdicts: Iterable[Verdict | None]) -> Verdict:
    """The verdict of several: error before fail before inconclusive before pass.

    None stands for a reading without a limit and says nothing. Where nothing was judged at all, that is
    inconclusive, not a pass. So combine the verdicts of all readings of a run in one go, not measurement by
    measurement: one that only records something would spoil the others.
    """
    judged = set(verdicts) - {None}
    return next((verdict for verdict in _WORST_FIRST if verdict in judged), Verdict.INCONCLUSIVE)
