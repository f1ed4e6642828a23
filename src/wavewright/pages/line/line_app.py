"""The application: each page of the catalogue by its name, and the scripts and styles that pages load."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from wavewright.errors import StorageFault
from wavewright.logbook.columns.followed_logbook import FollowedRuns
from wavewright.pages.line.admission import HEADERS, Admission, Guarded
from wavewright.pages.line.kept_pages import KeptPages, MadePage
from wavewright.pages.line.line_view import PAGES
from wavewright.pages.line.newest_runs import NewestRuns
from wavewright.pages.line.page_making import PageMaker
from wavewright.pages.page_app import Asset

AT_ONCE = 8  # pages that are made at the same time: some wait for the database, and keep no other from being made
FOR_EVER = "private, max-age=31536000, immutable"  # of a file whose address has the hash of its content
HTML = "text/html; charset=utf-8"


@dataclass(frozen=True, slots=True)
class LineFiles:
    """The scripts and styles of the pages: what they hold, and the address of each, by name."""

    bodies: Mapping[str, tuple[str, bytes]]
    addresses: Mapping[str, str]


def line_files(assets: Mapping[str, Asset]) -> LineFiles:
    """Read all files once; an address changes with what is in its file."""
    bodies = {name: (asset.kind, asset.read().encode()) for name, asset in assets.items()}
    whole = hashlib.sha256(b"".join(body for _, body in bodies.values())).hexdigest()[:12]
    # in one folder, whose name has the hash: a script loads others from beside itself
    return LineFiles(bodies, {name: f"files-{whole}/{name}" for name in bodies})


def line_app(maker: PageMaker, newest: NewestRuns, files: LineFiles, admission: Admission) -> ASGIApp:
    """The application of one logbook, with its guard."""
    service = _LineService(maker, newest, files)
    routes = [
        Route("/", service.first),
        Route("/{page}", service.page),
        Route("/{folder}/{name}", service.file),
    ]
    return Guarded(Starlette(routes=routes), admission)


class _LineService:
    def __init__(self, maker: PageMaker, newest: NewestRuns, files: LineFiles) -> None:
        self._maker, self._newest, self._files = maker, newest, files
        self._kept = KeptPages()
        self._being_made: dict[str, asyncio.Task[MadePage]] = {}
        self._turns = asyncio.Semaphore(AT_ONCE)

    async def first(self, request: Request) -> Response:
        """The newest day."""
        return RedirectResponse("day", 303)

    async def file(self, request: Request) -> Response:
        """A script or a style."""
        name = request.path_params["name"]
        if self._files.addresses.get(name) != f"{request.path_params['folder']}/{name}":
            return _nothing_here()
        kind, body = self._files.bodies[name]
        return Response(body, media_type=kind, headers={"Cache-Control": FOR_EVER})

    async def page(self, request: Request) -> Response:
        """A page of the catalogue, or that it is still as the browser has it."""
        page = request.path_params["page"]
        if page not in PAGES:
            return _nothing_here()
        query = request.scope["query_string"].decode("latin-1")
        try:
            now = await self._newest.now()
            made = await self._made(page, query, now)
        except StorageFault as fault:
            made = self._maker.message(fault, FollowedRuns(), status=503)
        headers = {"ETag": made.etag, **made.headers}
        if made.status == 200 and made.etag in _tags(request.headers.get("if-none-match", "")):
            return Response(status_code=304, headers=headers)
        return Response(made.body, made.status, headers, HTML)

    async def _made(self, page: str, query: str, now: FollowedRuns) -> MadePage:
        """A kept page, or one that is made now, once for all who wait for it."""
        address = f"{page}?{query}"
        kept = self._kept.find(address, now)
        if kept is not None:
            return kept
        making = self._being_made.get(address)
        if making is None:
            making = asyncio.ensure_future(self._make(address, page, query, now))
            self._being_made[address] = making
            making.add_done_callback(lambda _: self._being_made.pop(address, None))
        return await asyncio.shield(making)

    async def _make(self, address: str, page: str, query: str, now: FollowedRuns) -> MadePage:
        async with self._turns:
            made = await run_in_threadpool(self._maker.make, page, query, now)
        if made.status == 200:
            self._kept.keep(address, made)
        return made


def _tags(header: str) -> list[str]:
    """The entity tags of `If-None-Match` (RFC 9110, 13.1.2 †)."""
    return [tag.strip().removeprefix("W/") for tag in header.split(",")]


def _nothing_here() -> Response:
    return PlainTextResponse("nothing here\n", 404, headers=HEADERS)
