"""The page over HTTP and WebSocket: who may come in, what a browser may load, and from where.

Three things keep strangers out of a bench that a browser can switch on: the server listens on the loopback interface
alone; every address begins with a token that is drawn anew for each start; and `Host` and `Origin` must be this server,
so that a page of somebody else's, in the same browser, reaches nothing (RFC 6454, RFC 6455 section 10.2).
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.requests import Request as HttpRequest
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket

from wavewright.recipe.picture_file import PlacePicture
from wavewright.reporting.chart_script import chart_script, chart_style

LOOPBACK = ("127.0.0.1", "localhost")  # how a browser on this machine may call it
# Nothing is loaded or sent elsewhere, and no other page holds this one in a frame (CSP Level 3).
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
REFUSED_ORIGIN = 4403  # close code of the range that applications have (RFC 6455, 7.4.2)
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class Asset:
    """A file that the page loads: its media type, and what reads it when it is asked for."""

    kind: str
    read: Callable[[], str]


def page_assets(folder: str) -> Mapping[str, Asset]:
    """Every file of the page by its name in the address: its own, and what draws and styles the pages of reports.

    Parameters
    ----------
    folder : of the page's own files, in the package `wavewright.pages`.
    """
    own = {one.name: one for one in files("wavewright.pages").joinpath(folder).iterdir()}
    own["page.css"] = files("wavewright.reporting") / "templates" / "page.css"
    return {
        **{
            name: Asset(KINDS[suffix], partial(one.read_text, encoding="utf-8"))
            for name, one in own.items()
            if (suffix := name[name.rfind(".") :]) in KINDS
        },
        "chart.js": Asset(KINDS[".js"], chart_script),
        "chart.css": Asset(KINDS[".css"], chart_style),
    }


def new_token() -> str:
    """128 random bits, in letters that an address may hold."""
    return secrets.token_urlsafe(16)


def page_app(
    token: str,
    port: int,
    assets: Mapping[str, Asset],
    converse: Callable[[WebSocket], Awaitable[None]],
    picture: Callable[[str], PlacePicture | None] = lambda name: None,
) -> ASGIApp:
    """The application: `/TOKEN/` is the page, `/TOKEN/NAME` a file of it, `/TOKEN/live` its WebSocket.

    Parameters
    ----------
    port : that it is served on, for `Host` and `Origin`.
    converse : what is said on the WebSocket, from its acceptance to its end.
    picture : of where the probes go, by its name in the address; None for a name that no picture has now.
    """

    def is_ours(scope_token: str) -> bool:
        return secrets.compare_digest(scope_token.encode(), token.encode())

    async def page(request: HttpRequest) -> Response:
        if not is_ours(request.path_params["token"]):
            return _nothing_here()
        name = request.path_params.get("name", "index.html")
        if (asset := assets.get(name)) is not None:
            return Response(asset.read(), media_type=asset.kind)
        found = picture(name)
        return _nothing_here() if found is None else Response(found.content, media_type=found.media)

    async def live(socket: WebSocket) -> None:
        origin = socket.headers.get("origin")
        if not is_ours(socket.path_params["token"]) or origin not in _origins(port):
            await socket.close(REFUSED_ORIGIN)
            return
        await socket.accept()
        await converse(socket)

    routes = [
        Route("/{token}/", page),
        WebSocketRoute("/{token}/live", live),
        Route("/{token}/{name}", page),
    ]
    return _Guarded(Starlette(routes=routes), port)


class _Guarded:
    """Refuses whoever calls this server by another name, and gives every answer the headers of `HEADERS`."""

    def __init__(self, app: ASGIApp, port: int) -> None:
        self._app, self._hosts = app, {f"{name}:{port}" for name in LOOPBACK}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        if Headers(scope=scope).get("host") not in self._hosts:
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": REFUSED_ORIGIN})
            else:
                await _nothing_here()(scope, receive, send)
            return

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                extra = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
                message["headers"] = [*message.get("headers", []), *extra]
            await send(message)

        await self._app(scope, receive, with_headers)


def _origins(port: int) -> set[str]:
    return {f"http://{name}:{port}" for name in LOOPBACK}


def _nothing_here() -> Response:
    return PlainTextResponse("nothing here", status_code=404, headers=HEADERS)
