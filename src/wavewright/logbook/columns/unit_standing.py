"""What decides of a unit beside its runs: the rule for retests of its recipe, and whether it is in quarantine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from wavewright.judgement.retest_rule import RetestRule
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.columns.run_columns import RunColumns
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.line_notes import LineNote

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class UnitStanding:
    """What is known of the units of a logbook; as `unit_results` has it.

    Parameters
    ----------
    rules : for retests, by SHA-256 of the recipe; recipes without one are left out.
    notes : of the line, oldest first; apart : those that put units into quarantine, by serial number.
    """

    rules: Mapping[str, RetestRule] = field(default_factory=dict)
    notes: tuple[LineNote, ...] = ()
    apart: Mapping[str, Sequence[LineNote]] = field(default_factory=dict)

    def rule_of(self, runs: RunColumns, first: int) -> RetestRule | None:
        """The rule for a unit whose first run has that number."""
        return self.rules.get(runs.lists["recipe_sha256"].words[runs.words["recipe_sha256"][first]])

    def verdict(self, runs: RunColumns, of: Numbers) -> Verdict:
        """The verdict of a unit with these runs, in order."""
        verdicts = [Verdict(word) for word in runs.column("verdict", of)]
        rule = self.rule_of(runs, int(of[0]))
        return verdicts[-1] if rule is None else rule.unit_verdict(verdicts)

    def passed(self, runs: RunColumns, numbers: Numbers, whose: npt.NDArray[np.intp]) -> Flags:
        """Whether each unit has passed by its rule.

        Parameters
        ----------
        numbers : of the runs, oldest first; whose : for each the number of its unit, from 0 on, none left out.
        """
        by_unit = np.argsort(whose, kind="stable")
        counts = np.bincount(whose)
        ends = np.cumsum(counts)
        ordered = numbers[by_unit]
        good = runs.passed(ordered[ends - 1])
        if self.rules:
            for unit in np.flatnonzero(counts > 1).tolist():
                of = ordered[ends[unit] - counts[unit] : ends[unit]]
                good[unit] = self.verdict(runs, of) is Verdict.PASS
        return good

    def set_apart(self, runs: RunColumns, numbers: Numbers) -> Flags:
        """Which of some runs are of a unit that is in quarantine now."""
        serials = [runs.lists["serial"].number(serial) for serial in self.apart if serial]
        found: Flags = np.isin(runs.words["serial"][numbers], np.array(serials, dtype=np.int32))
        return found
