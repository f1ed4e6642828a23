"""A real browser for the pages that people get."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from tests.example_outcome import example_outcome
from wavewright.running.outcome import Outcome

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.fixture
def outcome() -> Outcome:
    return example_outcome()


@dataclass
class Visit:
    """A page that was opened, and what it said and asked for meanwhile."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def visit(browser: object, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Visit]]:
    """Opens a page given as text, waits until its pictures are drawn, and notes errors and requests."""
    contexts = []

    def opened(text: str, *, scheme: str = "light", bypass_csp: bool = False) -> Visit:
        path = tmp_path_factory.mktemp("page") / "page.html"
        path.write_text(text, encoding="utf-8")
        context = browser.new_context(  # type: ignore[attr-defined]
            color_scheme=scheme, viewport={"width": 1200, "height": 900}, bypass_csp=bypass_csp
        )
        contexts.append(context)
        made = Visit(context.new_page())
        made.page.on("console", lambda message: made.said.append(f"{message.type}: {message.text}"))
        made.page.on("pageerror", lambda fault: made.said.append(f"error: {fault}"))
        made.page.on("request", lambda request: made.asked.append(request.url))
        made.page.goto(path.as_uri())
        if "figure" in text and 'class="picture"' in text:
            made.page.wait_for_selector("body[data-drawn=yes]")
        return made

    yield opened
    for context in contexts:
        context.close()
