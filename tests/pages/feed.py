"""A program for the page to talk to that says what a test tells it, and notes what the page asks for."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any

import numpy as np
import uvicorn
from starlette.websockets import WebSocket, WebSocketDisconnect

from wavewright.errors import Misuse
from wavewright.pages.page_app import page_app, page_assets
from wavewright.pages.page_requests import read_request
from wavewright.pages.protocol import (
    FramesMessage,
    PageMessage,
    ReadingsMessage,
    RecipeMessage,
    SaidMessage,
    ShotMessage,
    ShownFrame,
    ShownNumber,
    ShownRow,
    ShownTrace,
    StateMessage,
)
from wavewright.pages.view_picture import View, view_picture
from wavewright.waveform import Waveform

SPAN = 2e-3  # s, of every shot
TOKEN = "a-token-for-the-tests"
LATEST = ("recipe", "state", "shot", "density", "readings", "frames")
RECIPE = """\
wavewright: 1
title: Is the 3.3 V rail quiet?
measurements:
  rail_noise:   # short ground spring on TP3
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x}
    timebase: {span: 2 ms, rate: 25 MHz}
    trigger: {mode: auto, on: rail, level: 0 V}
    compute:
      ripple: {metric: peak_to_peak, limit: at most 40 mV}
"""


def numbers(text: str = RECIPE) -> tuple[ShownNumber, ...]:
    """Where the numbers of the recipe are, found by their text."""
    wanted = {"range": "100 mV", "span": "2 ms", "rate": "25 MHz", "level": "0 V", "limit": "40 mV"}
    found = []
    for role, number in wanted.items():
        for line, content in enumerate(text.splitlines(), 1):
            key = content.find(f"{role}: ")
            column = content.find(number, key) if key >= 0 else -1
            if column >= 0:
                found.append(ShownNumber(role, line, column + 1, len(number), number, number.split()[1], role))
    return tuple(found)


def recipe(text: str = RECIPE, *, revision: int = 1, **more: object) -> RecipeMessage:
    """What the program says of the file."""
    plain = {"name": "rail_ripple.yaml", "path": "recipes/rail_ripple.yaml", "numbers": numbers(text)}
    return RecipeMessage(simulated=True, revision=revision, text=text, **{**plain, **more})


def state(**more: object) -> StateMessage:
    """What the program is doing: by default running, and this page has the hand."""
    plain = {"doing": "running", "shots": 12, "rate": 11.9, "hand": "yours", "measurement": "rail_noise",
             "measurements": ("rail_noise",), "patience": 5.0}  # fmt: skip
    return StateMessage(simulated=True, **{**plain, **more})


def shot(
    traces: Mapping[str, np.ndarray],
    *,
    number: int = 12,
    reference: Mapping[str, np.ndarray] | None = None,
    measurement: str = "rail_noise",
    columns: int = 500,
    revision: int = 1,
) -> tuple[ShotMessage, bytes]:
    """A shot of 2 ms and the samples of its picture; traces are in volts."""

    def waves(all_volts: Mapping[str, np.ndarray]) -> dict[str, Waveform]:
        return {
            name: Waveform.from_volts(volts, interval=SPAN / volts.size, name=name) for name, volts in all_volts.items()
        }

    picture = view_picture(
        waves(traces), View(0.0, SPAN, columns), title=f"{measurement}, shot {number}", kept=waves(reference or {})
    )
    message = ShotMessage(
        simulated=True,
        measurement=measurement,
        number=number,
        of=number,
        columns=columns,
        start=0.0,
        span=SPAN,
        traces=tuple(ShownTrace(one.name, one.unit, "reference" in one.name) for one in picture.traces()),
        picture=picture.as_document(has_samples=False),
        revision=revision,
    )
    return message, picture.samples()


def readings(verdict: str = "pass", value: str = "31.2 mV", *, revision: int = 1, **more: object) -> ReadingsMessage:
    """One reading with its limit."""
    plain = {"interval": "30.9 mV .. 31.5 mV", "limit": "at most 40 mV", "margin": "8.8 mV", "verdict": verdict}
    row = ShownRow("ripple", value, **{**plain, **more})
    return ReadingsMessage(
        simulated=True, measurement="rail_noise", rows=(row,), verdict=verdict, shots=16, wanted=16, revision=revision
    )


def frames(*rows: ShownFrame) -> FramesMessage:
    """What was said on a decoded line."""
    return FramesMessage(simulated=True, measurement="rail_noise", rows=rows, all=len(rows), revision=1)


def said(level: str, text: str) -> SaidMessage:
    """A sentence of the program."""
    return SaidMessage(simulated=True, level=level, text=text)


class Feed:
    """What the program says now, to every page; `asked`: what pages have asked for, without signs of life."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.refused: list[str] = []  # what the program would not have understood
        self._came = threading.Condition()
        self._latest: dict[str, tuple[PageMessage, bytes | None]] = {}
        self._sockets: list[WebSocket] = []
        self.refuses = False
        self.loop: asyncio.AbstractEventLoop
        self.port = 0

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/{TOKEN}/"

    def say(self, message: PageMessage, binary: bytes | None = None) -> None:
        """To all pages, and to those that come later."""
        if message.kind in LATEST:
            self._latest[message.kind] = (message, binary)
        for one in list(self._sockets):
            self._run(_send(one, message, binary))

    def hear(self, *, do: str, count: int = 1) -> list[dict[str, Any]]:
        """Wait until pages have asked for something so many times; what they asked."""
        with self._came:
            found = lambda: [one for one in self.asked if one["do"] == do]  # noqa: E731
            assert self._came.wait_for(lambda: len(found()) >= count, timeout=20), f"{do} never came: {self.asked}"
            return found()

    def clear(self) -> None:
        """A new conversation: nothing has been said nor asked."""
        self.asked.clear()
        self.refused.clear()
        self._latest.clear()
        self.refuses = False

    def close(self, code: int) -> None:
        """Close every line with a code of RFC 6455."""
        for one in list(self._sockets):
            self._run(one.close(code))

    async def converse(self, socket: WebSocket) -> None:
        if self.refuses:
            await socket.close(1011)
            return
        self._sockets.append(socket)
        try:
            for message, binary in list(self._latest.values()):
                await _send(socket, message, binary)
            while True:
                text = await socket.receive_text()
                try:
                    read_request(text)
                except Misuse as fault:
                    self.refused.append(str(fault))
                asked = json.loads(text)
                with self._came:
                    if asked["do"] != "alive":
                        self.asked.append(asked)
                    self._came.notify_all()
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            self._sockets.remove(socket)

    def _run(self, work: Any) -> None:
        with suppress(WebSocketDisconnect, RuntimeError):
            asyncio.run_coroutine_threadsafe(work, self.loop).result(10)


async def _send(socket: WebSocket, message: PageMessage, binary: bytes | None) -> None:
    await socket.send_text(message.as_json())
    if binary is not None:
        await socket.send_bytes(binary)


@contextmanager
def fed() -> Iterator[Feed]:
    """A feed that serves the page as the program does."""
    feed = Feed()
    listening = socket.create_server(("127.0.0.1", 0))
    feed.port = listening.getsockname()[1]
    app = page_app(TOKEN, feed.port, page_assets("watch_page"), feed.converse)
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, lifespan="off", ws="websockets-sansio"))
    begun = threading.Event()

    async def serve() -> None:
        feed.loop = asyncio.get_running_loop()
        begun.set()
        await server.serve(sockets=[listening])

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    begun.wait()
    try:
        yield feed
    finally:
        server.should_exit = True
        feed.close(1001)
        thread.join(10)
