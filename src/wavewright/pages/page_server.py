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

HOST = "127.0.0.1"  # loopback alone; for the page of a bench there is no option for another one
WAITING = 128  # connections that are still to be taken
PING = 2.0  # s; a browser whose machine is gone is known so late
CLOSING = 1.0  # s that open connections have when the program ends


def listen(port: int, host: str = HOST) -> socket.socket:
    """A socket that listens on one interface; port 0 for any that is free.

    Raises
    ------
    Misuse : the port is in use, or not one that this user may have; the address is not one of this computer.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    except OSError as fault:
        raise Misuse(f"host `{host}`: {fault.strerror or fault}", expected="an address of this computer") from fault
    try:
        listening = socket.create_server(address[:2], family=family, backlog=WAITING)
    except OSError as fault:
        if fault.errno == errno.EADDRINUSE:
            raise Misuse(
                f"port {port} is in use", expected="a free port", do="name another one, or leave `--port` out"
            ) from fault
        if fault.errno == errno.EADDRNOTAVAIL:
            raise Misuse(f"host `{host}`: {fault.strerror}", expected="an address of this computer") from fault
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
        proxy_headers=False,  # else whoever is on this computer could say that a request is from elsewhere
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
