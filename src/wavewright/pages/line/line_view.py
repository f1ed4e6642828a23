"""What the maker of a page is given, and the catalogue of pages."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.followed_logbook import FollowedLogbook, FollowedRuns
from wavewright.logbook.columns.reading_columns import ReadingColumns
from wavewright.logbook.columns.run_columns import RunColumns
from wavewright.logbook.columns.unit_standing import UnitStanding
from wavewright.logbook.columns.word_column import Numbers
from wavewright.logbook.queries import Filter
from wavewright.pages.line.page_address import PageAddress, check_names


@dataclass(frozen=True, slots=True)
class ChosenRuns:
    """The runs that a page is about.

    Parameters
    ----------
    numbers : oldest first; which : the filter that leaves them.
    real, simulated : how many of them were on real instruments, and on simulated benches.
    left_out : runs on simulated benches that the filter would leave too, were there no real ones.
    golden : runs of golden units that it would leave too, were there no others.
    """

    numbers: Numbers
    which: Filter
    real: int
    simulated: int
    left_out: int = 0
    golden: int = 0


@dataclass(frozen=True, slots=True)
class LineView:
    """One look at a logbook for one page.

    Parameters
    ----------
    at : what was known at the moment of the look; asked : the address; now : the time, UTC.
    """

    book: Logbook
    followed: FollowedLogbook
    at: FollowedRuns
    asked: PageAddress
    now: datetime

    @property
    def standing(self) -> UnitStanding:
        """What decides of units beside their runs."""
        return self.at.standing

    @property
    def runs(self) -> RunColumns:
        """All runs."""
        return self.at.runs

    def readings(self, name: str) -> ReadingColumns:
        """All readings of one name."""
        return self.followed.readings(self.at, name)

    def check_names(self) -> None:
        """Refuse a filter that names what no run has; Misuse so."""
        check_names(self.asked.which, self.runs, lambda: self.followed.declared(self.at))

    def chosen(self, which: Filter) -> Numbers:
        """The numbers of the runs that a filter leaves, oldest first."""
        numbers = self.runs.chosen(replace(which, declared=()))
        return self.followed.declared(self.at).left(numbers, which.declared) if which.declared else numbers

    def choose(self, which: Filter) -> ChosenRuns:
        """The runs that a filter leaves: those on simulated benches only where there are no others, or on request.

        And those of golden units only where their batch or a unit is asked for, or there are no others; as
        `without_simulated` does it.
        """
        numbers = self.chosen(which)
        golden = 0
        if which.batch is None and which.serial is None:
            others = self.chosen(replace(which, golden=False))
            if 0 < others.size < numbers.size:
                golden, which, numbers = numbers.size - others.size, replace(which, golden=False), others
        simulated = int(self.runs.simulated[numbers].sum())
        real = numbers.size - simulated
        if self.asked.simulated or not real or not simulated:
            return ChosenRuns(numbers, which, real, simulated, golden=golden)
        return ChosenRuns(
            numbers[~self.runs.simulated[numbers]], replace(which, simulated=False), real, 0, simulated, golden
        )


@dataclass(frozen=True, slots=True)
class LinePage:
    """A page that was made.

    Parameters
    ----------
    template : its file; values : what it is filled with.
    about : the runs that make it old when one of them is new.
    """

    template: str
    values: Mapping[str, Any]
    about: Filter


@dataclass(frozen=True, slots=True)
class PageKind:
    """A page of the catalogue.

    Parameters
    ----------
    make : makes it; words : that only its address has; without : filters that make no sense on it.
    """

    make: Callable[[LineView], LinePage]
    words: frozenset[str] = field(default_factory=frozenset)
    without: frozenset[str] = field(default_factory=frozenset)


PAGES: dict[str, PageKind] = {}
Maker = Callable[[LineView], LinePage]


def line_page(name: str, *, words: tuple[str, ...] = (), without: tuple[str, ...] = ()) -> Callable[[Maker], Maker]:
    """Enter the decorated function, which makes the page of that name.

    Parameters
    ----------
    words : that only its address has; without : filters that make no sense on it.
    """

    def enter(make: Maker) -> Maker:
        PAGES[name] = PageKind(make, frozenset(words), frozenset(without))
        return make

    return enter
