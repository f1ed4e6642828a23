"""Readers of the pages of a line, in a process of their own: `python -m tests.benchmarks.line_readers ADDRESS …`.

Each opens one page after another over one connection, and waits in between as long as it is told. The table that is
printed is JSON: seconds that each page took, by kind of page.
"""

from __future__ import annotations

import asyncio
import json
import random
import re
import sys
import time
from collections import defaultdict
from collections.abc import Awaitable, Callable

import aiohttp

# how often each kind of page is opened, out of 100: most people look at the day and at what fails
MIX = {
    "day": 30,
    "batch": 15,
    "unit": 12,
    "trend": 15,
    "runs": 8,
    "stations": 6,
    "readings": 4,
    "batches": 4,
    "part": 3,
}
REPORTS = 100 - sum(MIX.values())


async def read_pages(address: str, *, readers: int, seconds: float, pause: float) -> dict[str, list[float]]:
    """Open pages for a while; returns how long each took, s, by kind of page."""
    took: dict[str, list[float]] = defaultdict(list)
    connector = aiohttp.TCPConnector(limit=readers)
    async with aiohttp.ClientSession(connector=connector) as session:
        pages = await _pages(session, address)
        for some in pages.values():  # each kind once, so that what is loaded on first use is loaded
            async with session.get(address + some[0]) as answer:
                await answer.read()
        end = time.perf_counter() + seconds

        async def open_page(page: str) -> bytes:
            async with session.get(address + page) as answer:
                body = await answer.read()
            if answer.status != 200 or b"</html>" not in body[-20:]:
                raise RuntimeError(f"{answer.status} {answer.url}: {body[:300]!r}")
            return body

        every = [_read(random.Random(number), open_page, pages, end=end, pause=pause) for number in range(readers)]
        for kind, seconds_taken in (pair for some in await asyncio.gather(*every) for pair in some):
            took[kind].append(seconds_taken)
    return took


async def _read(
    chance: random.Random,
    open_page: Callable[[str], Awaitable[bytes]],
    pages: dict[str, list[str]],
    *,
    end: float,
    pause: float,
) -> list[tuple[str, float]]:
    kinds, weights = [*MIX, "run"], [*MIX.values(), REPORTS]
    took = []
    await asyncio.sleep(chance.random() * pause)
    while time.perf_counter() < end:
        kind = chance.choices(kinds, weights)[0]
        before = time.perf_counter()
        await open_page(chance.choice(pages[kind]))
        took.append((kind, time.perf_counter() - before))
        if pause:
            await asyncio.sleep(pause * (0.5 + chance.random()))
    return took


async def _pages(session: aiohttp.ClientSession, address: str) -> dict[str, list[str]]:
    """Addresses of each kind, as links of the pages have them."""

    async def links(page: str, form: str) -> list[str]:
        async with session.get(address + page) as answer:
            text = (await answer.text()).replace("&amp;", "&")
        return sorted(set(re.findall(form, text)))

    days = [f"day?day={day}" for day in await links("part?part=VC-204", r"day\?part=VC-204&day=([\d-]+)")]
    names = await links("readings", r'href="(trend\?of=[^"&]+)"')
    return {
        "day": ["day"] * 30 + days[-30:] + [f"day?station=line_{n}" for n in range(1, 7)],
        "batch": (await links("batches", r'href="(batch\?batch-name=[^"]+)"'))[-40:],
        "unit": await links("runs", r'href="(unit\?serial=[^"]+)"'),
        "trend": names + [f"{name}&station=line_3" for name in names[:6]],
        "runs": ["runs", "runs?verdict=fail", "runs?station=line_2", "runs?operator=R.%20Amsel"],
        "stations": ["stations", *[name.replace("trend", "stations") for name in names[:5]]],
        "readings": ["readings", "readings?station=line_1"],
        "batches": ["batches", "parts"],
        "part": ["part?part=VC-204", "part?part=VC-205"],
        "run": await links("runs", r'href="(run\?id=[^"]+)"'),
    }


if __name__ == "__main__":
    where, count, duration, wait = sys.argv[1:]
    print(json.dumps(asyncio.run(read_pages(where, readers=int(count), seconds=float(duration), pause=float(wait)))))
