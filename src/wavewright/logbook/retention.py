"""Retention: which captures may go, and which stay. Only those of runs that passed ever go, whatever a rule says."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict


@dataclass(frozen=True, slots=True)
class RunMark:
    """What a rule needs to know of a run; `name` is its id, or that of its folder."""

    name: str
    started: datetime
    verdict: str
    recipe: str
    recipe_sha256: str
    part: str
    serial: str

    @property
    def lot(self) -> int:
        """A number that is drawn by hashing start, serial number and recipe: always the same one for the same run."""
        words = f"{self.started.astimezone(UTC).isoformat()} {self.serial} {self.recipe_sha256}"
        return int.from_bytes(hashlib.sha256(words.encode(errors="surrogatepass")).digest()[:8], "big")


@dataclass(frozen=True, slots=True)
class Retention:
    """A rule for the captures of runs that passed. Those of failed, inconclusive and interrupted runs stay.

    Parameters
    ----------
    older_than : days; those of younger runs stay.
    one_of : of about this many runs one keeps its captures, the same one however often the rule is applied.
    last_of_unit : this number of last passes of each unit and recipe keep theirs; runs without a serial number are one
        unit.
    last_of_part : the same for each part and recipe.

    Raises
    ------
    Misuse : a number that makes no sense, or no rule at all.
    """

    older_than: int | None = None
    one_of: int | None = None
    last_of_unit: int = 0
    last_of_part: int = 0

    def __post_init__(self) -> None:
        for name, number, least in (
            ("older than, days", self.older_than, 0),
            ("one of", self.one_of, 2),
            ("last of each unit", self.last_of_unit, 0),
            ("last of each part", self.last_of_part, 0),
        ):
            if number is not None and number < least:
                raise Misuse(f"{name}: {number}", expected=f"at least {least}")
        if self.older_than is None and self.one_of is None and not self.last_of_unit and not self.last_of_part:
            raise Misuse("a retention rule that keeps no capture of any pass", expected="an age, or which passes stay")

    def __str__(self) -> str:
        stay = [
            f"1 of {self.one_of}" if self.one_of is not None else "",
            f"the last {self.last_of_unit} of each unit" if self.last_of_unit else "",
            f"the last {self.last_of_part} of each part" if self.last_of_part else "",
        ]
        age = "" if self.older_than is None else f" older than {self.older_than} days"
        kept = " and ".join(filter(None, stay))
        return f"captures of passes{age}{f', but {kept}' if kept else ''}"

    def disposable(self, runs: Iterable[RunMark], *, now: datetime) -> list[RunMark]:
        """The runs whose captures may go, newest first.

        Parameters
        ----------
        runs : all runs of the units and parts in question, so that their last passes are known; now : UTC.
        """
        of_unit: Counter[tuple[str, ...]] = Counter()
        of_part: Counter[tuple[str, ...]] = Counter()
        found = []
        for run in sorted(runs, key=lambda each: (each.started, each.name), reverse=True):
            if run.verdict != Verdict.PASS:
                continue
            unit, part = (run.recipe, run.part, run.serial), (run.recipe, run.part)
            of_unit[unit] += 1
            of_part[part] += 1
            stays = (
                of_unit[unit] <= self.last_of_unit
                or of_part[part] <= self.last_of_part
                or (self.one_of is not None and run.lot % self.one_of == 0)
                or (self.older_than is not None and now - run.started <= timedelta(days=self.older_than))
            )
            if not stays:
                found.append(run)
        return found
