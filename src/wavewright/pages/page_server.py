"""The server of a page, in a thread of its own: the main thread stays with the instruments and with the signals."""

from __future__ import annotations

import asyncio
import errno
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager

from starlette.types import ASGIApp

from wavewright.errors import Misuse, StorageFault
from wavewright.instruments.stop_signals import leave_to_main_thread
from wavewright.pages.page_requests import LONGEST_REQUEST

HOST = "127.0.0.1"  # loopback alone; there is no option for another one
PING = 2.0  # s; a browser whose machine is gone is known so late
CLOSING = 1.0  # s that open connections have when the program ends


def listen(port: int) -> socket.socket:
    """A socket that listens on the loopback interface; port 0 for any that is free.

    Raises
    ------
    Misuse : the port is in use, or not one that this user may have.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.bind((HOST, port))
        listening.listen(16)
    except OSError as fault:
        listening.close()
        if fault.errno == errno.EADDRINUSE:
            raise Misuse(
                f"port {port} is in use", expected="a free port", do="name another one, or leave `--port` out"
            ) from fault
        raise Misuse(f"port {port} cannot be had: {fault.strerror or fault}", do="leave `--port` out") from fault
    return listening


class PageServer:
    """What `serving` gives: the loop that its connections live in.

    `is_on` : false once the server has ended, whatever the reason.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop, thread: threading.Thread) -> None:
        self.loop, self._thread = loop, thread

    @property
    def is_on(self) -> bool:
        """Whether the server still serves."""
        return self._thread.is_alive()


@contextmanager
def serving(
    app: ASGIApp, listening: socket.socket, *, beside: Callable[[], Awaitable[None]] | None = None
) -> Iterator[PageServer]:
    """Serve inside the block; it has ended, and its thread too, after it.

    Parameters
    ----------
    beside : runs in the server's loop as long as it serves.

    Raises
    ------
    StorageFault : the server did not begin.
    """
    import uvicorn

    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        lifespan="off",
        ws="websockets-sansio",
        ws_max_size=LONGEST_REQUEST,
        ws_ping_interval=PING,
        ws_ping_timeout=2 * PING,
        ws_per_message_deflate=False,  # what is sent is numbers that hardly shrink, on a wire that is memory
        timeout_graceful_shutdown=int(CLOSING),
        server_header=False,
    )
    server = uvicorn.Server(config)
    has_begun = threading.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    async def serve() -> None:
        loops.append(asyncio.get_running_loop())
        has_begun.set()
        task = asyncio.ensure_future(beside()) if beside is not None else None
        try:
            await server.serve(sockets=[listening])
        finally:
            if task is not None:
                task.cancel()

    def work() -> None:
        leave_to_main_thread()
        try:
            asyncio.run(serve())
        finally:
            has_begun.set()

    thread = threading.Thread(target=work, name="page server", daemon=True)
    thread.start()
    has_begun.wait()
    if not loops:
        raise StorageFault("the server of the page did not begin")
    try:
        yield PageServer(loops[0], thread)
    finally:
        server.should_exit = True
        thread.join(2 * CLOSING + PING)
        listening.close()
