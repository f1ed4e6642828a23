"""A real browser that looks at the page of `watch`, and a feed that speaks to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest

from tests.pages.feed import Feed, fed

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.fixture(scope="module")
def module_feed() -> Iterator[Feed]:
    with fed() as feed:
        yield feed


@pytest.fixture
def feed(module_feed: Feed) -> Feed:
    """The feed at the beginning of a conversation."""
    module_feed.clear()
    return module_feed


class _Desk:
    """One window of the browser for a module, loaded anew by each test: one of its own costs more than the test."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser
        self._kept: Any = None
        self._others: list[Any] = []
        self.complaints: list[str] = []

    def open_page(self, address: str, *, width: int, scheme: str) -> Page:
        """A page; that of the usual width and colours is the one that earlier tests had, loaded again."""
        if (width, scheme) == (1280, "light"):
            self._kept = page = self._kept or self._new(width, scheme)
            page.mouse.move(0, 0)
            page.emulate_media(media="screen")
        else:
            page = self._new(width, scheme)
            self._others.append(page.context)
        page.goto(address)
        return page

    def _new(self, width: int, scheme: str) -> Any:
        context = self._browser.new_context(color_scheme=scheme, viewport={"width": width, "height": 900})
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda fault: self.complaints.append(str(fault)))
        return page

    def leave(self) -> None:
        """After a test: nobody is connected any more."""
        if self._kept is not None and self._kept.url != "about:blank":
            self._kept.evaluate("localStorage.clear()")
            self._kept.goto("about:blank")
        while self._others:
            self._others.pop().close()
        self.complaints.clear()

    def close(self) -> None:
        """After the module."""
        if self._kept is not None:
            self._kept.context.close()


@pytest.fixture(scope="module")
def desk(browser: object) -> Iterator[_Desk]:
    made = _Desk(browser)
    yield made
    made.close()


@pytest.fixture
def opened(desk: _Desk, feed: Feed) -> Iterator[Callable[..., Page]]:
    """Opens the page; after the test nothing has been complained of in its console."""

    def open_page(*, width: int = 1280, scheme: str = "light") -> Page:
        return desk.open_page(feed.address, width=width, scheme=scheme)

    yield open_page
    said = list(desk.complaints)
    desk.leave()
    assert feed.refused == []
    # what a test itself causes: a line that is refused, pixels that are read
    known = ("WebSocket connection", "willReadFrequently")
    assert [text for text in said if not any(one in text for one in known)] == []
