"""What is said on one page's WebSocket: requests are checked and handed on, messages are sent as they wait."""

from __future__ import annotations

import asyncio
import queue
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from starlette.websockets import WebSocket, WebSocketDisconnect

from wavewright.errors import Misuse
from wavewright.pages.audience import Audience, OpenPage
from wavewright.pages.page_requests import (
    AliveRequest,
    AnyRequest,
    DrawnRequest,
    HandRequest,
    OutputsRequest,
    ViewRequest,
    WholeViewRequest,
    read_request,
)
from wavewright.pages.protocol import Level, SaidMessage
from wavewright.pages.view_picture import View

MOST_WAITING = 100  # requests; a page that sends more is told to wait


@dataclass(frozen=True, slots=True)
class Wish:
    """What a page asks of the program, once it has been checked."""

    page: OpenPage
    request: AnyRequest


Wishes = queue.Queue[Wish | None]  # None: look at the file


class Reception:
    """Takes pages in, and hands what they ask for to the program.

    Parameters
    ----------
    wishes : where what pages ask for waits for the program; bounded.
    changed_view : called when a page has come, or shows another part.
    hand_left : called with why, when the hand has left the page that had it.
    silence : s, after which a page that says nothing no longer keeps the hand.
    simulated : whether the bench is simulated, for what is said here.
    """

    def __init__(
        self,
        audience: Audience,
        wishes: Wishes,
        *,
        changed_view: Callable[[], None],
        hand_left: Callable[[str], None],
        silence: float,
        simulated: bool,
    ) -> None:
        self.audience, self._changed_view, self._hand_left = audience, changed_view, hand_left
        self._silence, self._simulated = silence, simulated
        self.wishes = wishes

    async def converse(self, socket: WebSocket) -> None:
        """One page, from its first to its last word."""
        page = self.audience.enter()
        self._changed_view()
        sending = asyncio.ensure_future(self._send(socket, page))
        try:
            while True:
                await self._receive(socket, page)
        except WebSocketDisconnect:
            pass
        finally:
            sending.cancel()
            if self.audience.leave(page):
                self._hand_left("the page was closed, or its connection broke")

    async def _send(self, socket: WebSocket, page: OpenPage) -> None:
        try:
            while True:
                for parts in self.audience.parts_for(page):
                    for part in parts:
                        await (socket.send_text(part) if isinstance(part, str) else socket.send_bytes(part))
                await page.until_something()
        except (WebSocketDisconnect, RuntimeError):  # it has gone; who receives says so
            return

    async def _receive(self, socket: WebSocket, page: OpenPage) -> None:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            raise WebSocketDisconnect(message.get("code", 1000))
        self.audience.hear(page)
        try:
            text = message.get("text")
            if text is None:
                raise Misuse("a message of bytes", expected="text in JSON")
            self._take(page, read_request(text))
        except Misuse as fault:
            self.tell(page, "refused", str(fault))

    def _take(self, page: OpenPage, request: AnyRequest) -> None:
        match request:
            case AliveRequest():
                self.audience.refresh_state(page)
                return
            case DrawnRequest():
                self.audience.drawn(page)
                return
            case ViewRequest():
                page.view, page.columns = View(request.start, request.span, request.columns), request.columns
                self._changed_view()
                return
            case WholeViewRequest():
                page.view, page.columns = None, request.columns
                self._changed_view()
                return
            case HandRequest():
                self._pass_hand(page, take=request.take)
                return
            case _:
                is_off = isinstance(request, OutputsRequest) and not request.confirm  # anybody may
                if request.needs_hand and not is_off and not self.audience.has_hand(page):
                    raise Misuse("another page has the hand; this one watches", do="take the hand once it is free")
        try:
            self.wishes.put_nowait(Wish(page, request))
        except queue.Full:
            raise Misuse("too many requests wait", do="wait until the last ones are done") from None

    def _pass_hand(self, page: OpenPage, *, take: bool) -> None:
        if not take:
            if self.audience.give_hand_back(page):
                self._hand_left("the hand was given back")
            return
        if self.audience.has_hand(page):
            return
        if not self.audience.take_hand(page, silent_for=self._silence):
            holder = self.audience.page_with_hand
            if holder is not None:
                self.tell(holder, "note", "another page asks for the hand: give it back here if that page may have it")
            raise Misuse(
                "another page has the hand, and answers; it was told that you ask for the hand",
                do="take it once it is given back there, or that page is closed",
            )
        self._hand_left("another page took the hand")

    def look_at_file(self) -> None:
        """From any thread: the file may have changed. One wish to look at it is enough."""
        with suppress(queue.Full):
            if None not in self.wishes.queue:
                self.wishes.put_nowait(None)

    def tell(self, page: OpenPage | None, level: Level, text: str) -> None:
        """Say something to one page, or to all."""
        self.audience.publish(SaidMessage(simulated=self._simulated, level=level, text=text), to=page)
