"""A page from its address: which maker, which template, and the headers it goes out with."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import cache, partial

from wavewright.errors import StorageFault, WavewrightError
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.declared_columns import DeclaredColumns
from wavewright.logbook.columns.followed_logbook import FollowedLogbook, FollowedRuns
from wavewright.logbook.filter_words import DECLARED, FILTER_WORDS
from wavewright.pages.line import figure_pages, list_pages, reading_pages, run_pages  # noqa: F401  they enter their pages
from wavewright.pages.line.kept_pages import MadePage
from wavewright.pages.line.line_view import PAGES, LinePage, LineView
from wavewright.pages.line.page_address import SIMULATED, PageAddress, page_address, read_page_address
from wavewright.reporting.html import environment
from wavewright.reporting.page_policy import PLACE, policy_of

FOLDER = "line_page"  # of templates, scripts and styles
FILTER_NAMES = {
    "part": "part", "serial": "unit", "of-recipe": "recipe", "verdict": "verdict", "operator": "operator",
    "station": "station", "batch-name": "batch", "since": "since", "until": "until",
}  # fmt: skip
OWN = {"part": "part", "batch": "batch-name", "unit": "serial"}  # the filter that a page cannot be without
MOST_CHOICES = 200  # of a filter, the newest ones; others are written into the address
NOT_ELSEWHERE = "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
POLICY = "Content-Security-Policy"


class PageMaker:
    """Makes the pages of one logbook; may be called from any thread.

    Parameters
    ----------
    files : address of each script and style, by name.
    """

    def __init__(
        self, book: Logbook, followed: FollowedLogbook, files: Mapping[str, str], *, clock: Callable[[], datetime]
    ) -> None:
        self._book, self._followed, self._files, self._clock = book, followed, files, clock

    def make(self, page: str, query: str, at: FollowedRuns) -> MadePage:
        """The page, or one that says what is wrong with its address.

        Parameters
        ----------
        query : the address after `?`.

        Raises
        ------
        StorageFault : the logbook cannot be read.
        """
        kind = PAGES[page]
        asked = PageAddress(page)
        try:
            asked = read_page_address(page, query, words=kind.words, without=kind.without)
            made = kind.make(LineView(self._book, self._followed, at, asked, self._clock()))
        except StorageFault:
            raise
        except WavewrightError as fault:
            return self.message(fault, at, asked=asked, status=404 if "no run" in fault.what else 400)
        return self._page(made, at, asked)

    def message(
        self, fault: WavewrightError, at: FollowedRuns, *, asked: PageAddress = PageAddress("day"), status: int
    ) -> MadePage:
        """A page that says one thing, and what to do about it."""
        title = "The logbook cannot be read" if isinstance(fault, StorageFault) else "Nothing to show"
        bare = PageAddress(asked.page)
        values = {"title": title, "fault": fault}
        return self._page(LinePage("message.html.j2", values, asked.which), at, bare, status=status)

    def _page(self, made: LinePage, at: FollowedRuns, asked: PageAddress, *, status: int = 200) -> MadePage:
        template = environment(FOLDER).get_template(made.template)
        text = template.render(
            **made.values,
            asked=asked,
            where=self._book.where,
            file=self._files.__getitem__,
            filter_names=FILTER_NAMES,
            same_words=_as_names,
            removable=list(_removable(asked)),
            choices=_choices(asked, at) if asked.page != "run" else (),
            fields=_fields(self._followed.declared_so_far(at)),
            to=cache(partial(_to, asked)),
            place=partial(_place, asked),
            runs_address=partial(_runs_address, asked),
            trend_address=cache(partial(_trend_address, asked)),
        )
        headers = {}
        if PLACE in text:  # a report, with its scripts and styles in it
            own = policy_of(text)
            text = text.replace(PLACE, own, 1)
            headers = {POLICY: f"default-src 'none'; {own}; {NOT_ELSEWHERE}"}
        body = text.encode("utf-8", "replace")
        return MadePage(body, made.about, at.epoch, at.runs.moved, at.noted, len(at.runs), headers, status)


def _removable(asked: PageAddress) -> Iterator[tuple[str, str, str, str]]:
    """The filters that a page can be without: their word, name, value, and the address of the page without it."""
    for word, text in asked.filters.items():
        if word != OWN.get(asked.page):
            yield word, FILTER_NAMES[word], text, asked.without(word)
    for written in asked.declared:
        name, _, text = written.partition("=")
        yield f"{DECLARED} {name}", name, text, asked.without_declared(written)
    if asked.simulated:
        yield SIMULATED, "", "", asked.without(SIMULATED)


def _fields(declared: DeclaredColumns) -> list[str]:
    """Declared fields as they are written in an address, the newest of each name."""
    names = declared.names
    each = MOST_CHOICES // max(1, len(names))
    return [f"{name}={text}" for name in names for text in declared.texts(name)[: -each - 1 : -1]]


def _choices(asked: PageAddress, at: FollowedRuns) -> list[tuple[str, list[str] | None]]:
    """The filters that a page takes, each with what it can be set to; None where that is typed."""
    without = PAGES[asked.page].without
    found: list[tuple[str, list[str] | None]] = []
    for word, name in FILTER_WORDS.items():
        if word in without or word == "serial":
            continue
        if name in ("since", "until"):
            found.append((word, None))
        elif name == "verdict":
            found.append((word, list(Verdict)))
        else:
            some = [text for text in at.runs.lists[name].words[-MOST_CHOICES:] if text]
            chosen = asked.filters.get(word)
            found.append((word, sorted({*some, chosen} if chosen else {*some}, reverse=word == "batch-name")))
    return found


def _to(asked: PageAddress, page: str, **changed: str | None) -> str:
    """The address of another page with the filters that it takes; from the page of a unit without that unit."""
    kept = set(PAGES[page].without) | ({"serial"} if asked.page == "unit" and page != "runs" else set())
    return asked.to(page, **{word.replace("-", "_"): None for word in kept}, **changed)


def _as_names(words: Mapping[str, str]) -> dict[str, str]:
    """Words of an address as names of arguments."""
    return {word.replace("-", "_"): text for word, text in words.items()}


def _span(asked: PageAddress) -> dict[str, str | tuple[str, ...]]:
    """The filters of a page, with the day that it is about as `since` and `until`."""
    words = dict(asked.kept_words)
    if day := asked.words.get("day"):
        words |= _day_span(day)
    return words


def _day_span(day: str) -> dict[str, str]:
    begun = datetime.strptime(day, "%Y-%m-%d").replace(tzinfo=UTC)
    end = figure_pages.day_after(begun)
    return {"since": day, **({} if end is None else {"until": f"{end:%Y-%m-%d}"})}


def _runs_address(asked: PageAddress, **more: str) -> str:
    return page_address("runs", {**_span(asked), **more})


def _trend_address(asked: PageAddress, name: str) -> str:
    return page_address("trend", {"of": name, **{w: t for w, t in asked.kept_words.items() if w != "verdict"}})


def _place(asked: PageAddress, page: str, word: str, name: str) -> str:
    """Where the row of a table leads: the page with one more filter, on the same day where it is that of one."""
    words = {**asked.kept_words, **(asked.words if page == asked.page else {}), word: name}
    return page_address(page, words)
