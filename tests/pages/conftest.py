"""A real browser that looks at the page of `watch`, and a feed that speaks to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

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


@pytest.fixture
def opened(browser: object, feed: Feed) -> Iterator[Callable[..., Page]]:
    """Opens the page; after the test nothing has been complained of in its console."""
    contexts, complaints = [], []

    def open_page(*, width: int = 1280, scheme: str = "light") -> Page:
        context = browser.new_context(color_scheme=scheme, viewport={"width": width, "height": 900})  # type: ignore[attr-defined]
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda fault: complaints.append(str(fault)))
        page.goto(feed.address)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert feed.refused == []
    # what a test itself causes: a line that is refused, pixels that are read
    known = ("WebSocket connection", "willReadFrequently")
    assert [text for text in complaints if not any(one in text for one in known)] == []
