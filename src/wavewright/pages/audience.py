"""The pages that are open: what waits to be sent to each, when it was last heard, and which one has the hand.

Other threads publish; the server's loop sends. What waits is bounded by its kinds: a newer picture takes the place of
one that was not sent yet, so a slow page sees fewer pictures and never an old one for long.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace

from wavewright.pages.protocol import FoundMessage, HandOf, PageMessage, SaidMessage, StateMessage
from wavewright.pages.view_picture import View

MOST_SAID = 50  # sentences that wait for one page
ORDER = ("recipe", "state", "shot", "density", "readings", "frames")  # what is sent first
DEFAULT_COLUMNS = 1200  # until a page has said how wide it is
LOOK_AGAIN = 0.01  # s
Parts = tuple[str | bytes, ...]


class OpenPage:
    """One page; all but `next_parts` may be called from any thread that holds the audience's lock."""

    def __init__(self, number: int, now: float) -> None:
        self.number = number
        self.heard = now
        self.view: View | None = None  # None: all of the record
        self.columns = DEFAULT_COLUMNS
        self._is_paced = self._is_drawing = False
        self._latest: dict[str, Parts] = {}
        self._said: deque[Parts] = deque(maxlen=MOST_SAID)
        self._is_something = asyncio.Event()
        self._waits = False

    @property
    def has_all(self) -> bool:
        """Whether everything that was put has been sent, but for a picture that waits for the page."""
        return self._waits and not (self._latest.keys() - {"shot"}) and not self._said

    def put(self, message: PageMessage, binary: bytes | None) -> None:
        """Let a message wait; one of its kind that waits already is forgotten, but for sentences."""
        parts: Parts = (message.as_json(),) if binary is None else (message.as_json(), binary)
        if isinstance(message, SaidMessage | FoundMessage):
            self._said.append(parts)
        else:
            self._latest[message.kind] = parts

    def drawn(self) -> None:
        """What was sent last is on the screen. A page that says so is sent the next picture only then."""
        self._is_paced, self._is_drawing = True, False

    def wake(self) -> None:
        """In the server's loop: something waits."""
        self._is_something.set()

    async def until_something(self) -> None:
        """In the server's loop: until something waits."""
        self._waits = not self._is_something.is_set()
        await self._is_something.wait()
        self._waits = False
        self._is_something.clear()

    def taken(self) -> Iterator[Parts]:
        """All that waits and may be sent, in order; it waits no longer."""
        latest, self._latest = self._latest, {}
        if "shot" in latest and self._is_drawing:
            self._latest["shot"] = latest.pop("shot")
        self._is_drawing = self._is_drawing or ("shot" in latest and self._is_paced)
        said = list(self._said)
        self._said.clear()
        yield from (latest[kind] for kind in sorted(latest, key=ORDER.index))
        yield from said


class Audience:
    """Every open page.

    Parameters
    ----------
    elapsed : s, of a clock that cannot jump.
    """

    def __init__(self, *, elapsed: Callable[[], float] = time.monotonic) -> None:
        self._elapsed = elapsed
        self._lock = threading.Lock()
        self._pages: dict[int, OpenPage] = {}
        self._hand: int | None = None
        self._count = 0
        self._remembered: dict[str, tuple[PageMessage, bytes | None]] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._will_wake = False

    def live_in(self, loop: asyncio.AbstractEventLoop) -> None:
        """The loop that sends."""
        self._loop = loop

    def enter(self) -> OpenPage:
        """A page has come; it gets the newest of everything, and the hand if that is free."""
        with self._lock:
            self._count += 1
            page = OpenPage(self._count, self._elapsed())
            self._pages[page.number] = page
            if self._hand is None:
                self._hand = page.number
            for message, binary in self._remembered.values():
                page.put(self._for(page, message), binary)
        self._wake()
        return page

    def leave(self, page: OpenPage) -> bool:
        """A page has gone; whether it had the hand, which is free then."""
        with self._lock:
            self._pages.pop(page.number, None)
            had = self._hand == page.number
            if had:
                self._hand = None
        self.refresh_state()
        return had

    def hear(self, page: OpenPage) -> None:
        """A page has said something, so it is alive."""
        page.heard = self._elapsed()

    def silence_of_hand(self) -> float:
        """For how long the page with the hand has said nothing, s; infinite where nobody has it."""
        with self._lock:
            page = None if self._hand is None else self._pages.get(self._hand)
            return float("inf") if page is None else self._elapsed() - page.heard

    @property
    def page_with_hand(self) -> OpenPage | None:
        """The page that may change things; None where nobody has the hand."""
        with self._lock:
            return None if self._hand is None else self._pages.get(self._hand)

    def has_hand(self, page: OpenPage) -> bool:
        """Whether it is this page's turn to change things."""
        with self._lock:
            return self._hand == page.number

    def take_hand(self, page: OpenPage, *, silent_for: float) -> bool:
        """Give a page the hand; False where another one has it that has answered within `silent_for`, s."""
        with self._lock:
            holder = None if self._hand is None else self._pages.get(self._hand)
            is_held = holder is not None and holder is not page and self._elapsed() - holder.heard <= silent_for
            if not is_held:
                self._hand = page.number
        self.refresh_state()
        return not is_held

    def give_hand_back(self, page: OpenPage) -> bool:
        """Free the hand if this page has it; whether it had."""
        with self._lock:
            had = self._hand == page.number
            if had:
                self._hand = None
        self.refresh_state()
        return had

    @property
    def count(self) -> int:
        """How many pages are open."""
        with self._lock:
            return len(self._pages)

    def views(self) -> list[tuple[OpenPage, View | None, int]]:
        """Every page with what it shows: a part of the record, or None for all of it, and how many columns wide."""
        with self._lock:
            return [(page, page.view, page.columns) for page in self._pages.values()]

    def publish(self, message: PageMessage, binary: bytes | None = None, *, to: OpenPage | None = None) -> None:
        """Let a message wait for every page, or for one; what all get, a page that comes later gets too."""
        with self._lock:
            if to is None and not isinstance(message, SaidMessage | FoundMessage):
                self._remembered[message.kind] = (message, binary)
            for page in self._pages.values() if to is None else [to]:
                page.put(self._for(page, message), binary)
        self._wake()

    def forget(self, *kinds: str) -> None:
        """Pages that come later no longer get the newest of these kinds."""
        with self._lock:
            for kind in kinds:
                self._remembered.pop(kind, None)

    def drawn(self, page: OpenPage) -> None:
        """A page has drawn what it was sent; a newer picture that waits is sent now."""
        with self._lock:
            page.drawn()
        page.wake()

    def refresh_state(self, page: OpenPage | None = None) -> None:
        """Say the state once more, to all or to one page: who has the hand, or how many watch, has changed."""
        with self._lock:
            state = self._remembered.get(StateMessage.kind)
        if state is not None:
            self.publish(*state, to=page)

    def send_the_rest(self, *, within: float) -> None:
        """From another thread than the loop's: return when every page has been sent all, or after `within`, s."""
        end = self._elapsed() + within
        while self._elapsed() < end:
            with self._lock:
                if all(page.has_all for page in self._pages.values()):
                    return
            time.sleep(LOOK_AGAIN)

    def parts_for(self, page: OpenPage) -> list[Parts]:
        """All that waits for a page, in order."""
        with self._lock:
            return list(page.taken())

    def _for(self, page: OpenPage, message: PageMessage) -> PageMessage:
        """The state says whose hand it is from where the page stands."""
        if not isinstance(message, StateMessage):
            return message
        hand: HandOf = "free" if self._hand is None else "yours" if self._hand == page.number else "other"
        return replace(message, hand=hand, watchers=max(0, len(self._pages) - (self._hand is not None)))

    def _wake(self) -> None:
        """Have the loop wake whoever waits; one wish at a time is enough."""
        loop = self._loop
        if loop is None:
            return
        with self._lock:
            if self._will_wake:
                return
            self._will_wake = True
        with suppress(RuntimeError):  # the loop has ended, and nobody waits
            loop.call_soon_threadsafe(self._woken)

    def _woken(self) -> None:
        with self._lock:
            self._will_wake = False
            pages = list(self._pages.values())
        for page in pages:
            page.wake()
