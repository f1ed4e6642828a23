"""Pages that were made, kept until a run comes that they are about."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from wavewright.logbook.columns.followed_logbook import FollowedRuns
from wavewright.logbook.queries import Filter

MOST_KEPT = 64_000_000  # bytes


@dataclass(slots=True)
class MadePage:
    """A page as it goes out.

    Parameters
    ----------
    body : its bytes; headers : those that only this page has.
    about : the runs that it was made from: a new one among them makes it old.
    epoch, moved, noted, seen : how far the logbook was known when it was made.
    """

    body: bytes
    about: Filter
    epoch: int
    moved: int
    noted: int
    seen: int
    headers: Mapping[str, str] = field(default_factory=dict)
    status: int = 200
    etag: str = field(init=False)

    def __post_init__(self) -> None:
        self.etag = f'"{hashlib.sha256(self.body).hexdigest()[:24]}"'


class KeptPages:
    """The newest pages by address."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._pages: OrderedDict[str, MadePage] = OrderedDict()
        self._most, self._size = most, 0

    def find(self, address: str, now: FollowedRuns) -> MadePage | None:
        """The page of an address, where no run has come that it is about; None where it is to be made."""
        page = self._pages.get(address)
        if page is None:
            return None
        if (
            page.epoch != now.epoch
            or page.moved != now.runs.moved
            or page.noted != now.noted
            or self._is_old(page, now)
        ):
            self._drop(address)
            return None
        page.seen = max(page.seen, len(now.runs))
        self._pages.move_to_end(address)
        return page

    def keep(self, address: str, page: MadePage) -> None:
        """Keep a page; those that nobody asked for lately go where there is no room."""
        self._drop(address)
        self._pages[address] = page
        self._size += len(page.body)
        while self._size > self._most and len(self._pages) > 1:
            self._drop(next(iter(self._pages)))

    @staticmethod
    def _is_old(page: MadePage, now: FollowedRuns) -> bool:
        # what later runs declare is not looked at: one too many makes a page old
        about = replace(page.about, declared=())
        return page.seen < len(now.runs) and now.runs.chosen(about, since_number=page.seen).size > 0

    def _drop(self, address: str) -> None:
        page = self._pages.pop(address, None)
        if page is not None:
            self._size -= len(page.body)
