"""What waits for a page, and what a page may do without the hand."""

from __future__ import annotations

import asyncio
import json
import queue
from concurrent.futures import ThreadPoolExecutor

from tests.pages.feed import readings, shot, state
from tests.pages.test_watch_page import ripple
from wavewright.pages.audience import Audience, OpenPage
from wavewright.pages.conversation import Reception
from wavewright.pages.page_requests import OutputsRequest


def kinds(audience: Audience, page: OpenPage) -> list[tuple[str, int]]:
    """Kind, and number if it has one, of all that is sent to a page now."""
    sent = [json.loads(parts[0]) for parts in audience.parts_for(page)]
    return [(one["kind"], one.get("number", 0)) for one in sent]


def offered(audience: Audience, page: OpenPage, number: int) -> None:
    audience.publish(*shot({"rail": ripple()}, number=number), to=page)


def test_a_page_that_says_what_it_has_drawn_is_sent_the_newest_after_it_and_never_two() -> None:
    audience = Audience()
    page = audience.enter()
    offered(audience, page, 1)
    assert kinds(audience, page) == [("shot", 1)]
    audience.drawn(page)
    offered(audience, page, 2)
    assert kinds(audience, page) == [("shot", 2)]
    # while shot 2 is being drawn, three more come; readings do not wait for it
    for number in (3, 4, 5):
        offered(audience, page, number)
        audience.publish(readings(), to=page)
        assert kinds(audience, page) == [("readings", 0)]
    audience.drawn(page)
    assert kinds(audience, page) == [("shot", 5)]


def test_a_page_that_never_says_so_is_not_kept_waiting() -> None:
    audience = Audience()
    page = audience.enter()
    for number in (1, 2):
        offered(audience, page, number)
        assert kinds(audience, page) == [("shot", number)]


class Line:
    """A WebSocket that says some texts and then waits."""

    def __init__(self, *texts: dict[str, object]) -> None:
        self._texts = [json.dumps(text) for text in texts]
        self.sent: list[dict[str, object]] = []

    async def receive(self) -> dict[str, object]:
        await asyncio.sleep(0)
        if self._texts:
            return {"type": "websocket.receive", "text": self._texts.pop(0)}
        return {"type": "websocket.disconnect", "code": 1000}

    async def send_text(self, text: str) -> None:
        self.sent.append(json.loads(text))

    async def send_bytes(self, data: bytes) -> None:
        raise AssertionError(data)


def spoken(*texts: dict[str, object], audience: Audience | None = None) -> queue.Queue:
    """What the program is asked for when a page that only watches says something."""
    audience = audience or Audience()
    audience.enter()  # another page, which has the hand
    wishes: queue.Queue = queue.Queue()
    reception = Reception(
        audience, wishes, changed_view=lambda: None, hand_left=lambda why: None, silence=5.0, simulated=True
    )
    with ThreadPoolExecutor(1) as pool:  # the browser of other tests may have a loop in this thread
        pool.submit(lambda: asyncio.run(reception.converse(Line(*texts)))).result()  # type: ignore[arg-type]
    return wishes


def test_outputs_are_switched_off_from_any_page_and_confirmed_only_by_the_one_with_the_hand() -> None:
    assert spoken({"do": "outputs", "confirm": True}).empty()
    wish = spoken({"do": "outputs", "confirm": False}).get_nowait()
    assert wish.request == OutputsRequest(do="outputs", confirm=False)
    assert spoken({"do": "hold"}, {"do": "undo"}).empty()


def test_a_sign_of_life_is_answered_with_the_state() -> None:
    audience = Audience()
    audience.publish(state())
    page = audience.enter()
    assert kinds(audience, page) == [("state", 0)]
    audience.refresh_state(page)
    assert kinds(audience, page) == [("state", 0)]
