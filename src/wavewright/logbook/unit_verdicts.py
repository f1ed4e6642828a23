"""What became of each unit of many runs: its verdict by the rule for retests, all its runs, and its quarantine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select

from wavewright.judgement.retest_rule import RetestRule
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.line_notes import notes_in
from wavewright.logbook.quarantine import in_quarantine, quarantine_words
from wavewright.logbook.queries import RunEntry
from wavewright.logbook.tables import outcomes, texts
from wavewright.recipe.retesting import retest_rule_in

CHUNK = 400


@dataclass(frozen=True, slots=True)
class UnitResult:
    """One unit.

    Parameters
    ----------
    serial : of the unit; the id of its run where it has none.
    runs : all of them, in order; verdict : by the rule of the recipe of its first run.
    rule : its words; empty where the last run decides because no rule says otherwise.
    quarantine : since when and why; empty where it is in none.
    """

    serial: str
    runs: tuple[RunEntry, ...]
    verdict: Verdict
    rule: str
    quarantine: str

    @property
    def is_good(self) -> bool:
        """Whether it has passed, and is not set apart."""
        return self.verdict is Verdict.PASS and not self.quarantine


def unit_results(book: Logbook, runs: Sequence[RunEntry]) -> tuple[UnitResult, ...]:
    """The units that runs are of, in the order of their first runs.

    Parameters
    ----------
    runs : in order.
    """
    units: dict[str, list[RunEntry]] = {}
    for run in runs:
        units.setdefault(run.serial or run.id, []).append(run)
    rules = _rules(book, [of[0].id for of in units.values() if len(of) > 1])
    apart = in_quarantine(notes_in(book))
    found = []
    for serial, of in units.items():
        rule = rules.get(of[0].id)
        verdicts = [Verdict(run.verdict) for run in of]
        verdict = verdicts[-1] if rule is None else rule.unit_verdict(verdicts)
        words = "" if rule is None else rule.words
        found.append(UnitResult(serial, tuple(of), verdict, words, quarantine_words(apart, of[0].serial)))
    return tuple(found)


def _rules(book: Logbook, ids: Sequence[str]) -> Mapping[str, RetestRule | None]:
    """The rule for retests of the recipe of each run, by the id of the run."""
    recipes: dict[str, str] = {}
    read: dict[str, str] = {}
    with book.reading() as connection:
        for first in range(0, len(ids), CHUNK):
            some = outcomes.c.id.in_(ids[first : first + CHUNK])
            for row in connection.execute(select(outcomes.c.id, outcomes.c.recipe_sha256).where(some)):
                recipes[row.id] = row.recipe_sha256
        wanted = sorted(set(recipes.values()))
        for first in range(0, len(wanted), CHUNK):
            query = select(texts.c.sha256, texts.c.text).where(texts.c.sha256.in_(wanted[first : first + CHUNK]))
            read |= {row.sha256: row.text for row in connection.execute(query)}
    rules = {sha256: retest_rule_in(text) for sha256, text in read.items()}
    return {run: rules.get(sha256) for run, sha256 in recipes.items()}
