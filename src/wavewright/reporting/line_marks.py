"""What an outcome says of its unit at the line: a retest, a unit in quarantine, a golden unit."""

from __future__ import annotations

from wavewright.running.outcome import Outcome


def line_marks(outcome: Outcome) -> list[tuple[str, str]]:
    """Each mark with its text, as a report lists them; nothing for a unit of which there is nothing to say."""
    found = []
    if outcome.retest:
        found.append(("Retest", f"number {outcome.retest} after run {outcome.retest_of}, which did not pass"))
    if outcome.quarantined:
        found.append(("In quarantine", f"when it was run: {outcome.quarantined}"))
    if outcome.golden:
        found.append(("Golden unit", f"known to be {outcome.golden}"))
    return found
