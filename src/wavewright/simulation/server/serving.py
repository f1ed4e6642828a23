"""Serving a simulated bench: listen, write a bench file that points here, stop cleanly."""

from __future__ import annotations

import asyncio
import math
import signal
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import yaml
from pyvisa.rname import to_canonical_name

from wavewright.durable_files import write_whole
from wavewright.errors import BenchFault, FileFault, Misuse, StorageFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.stop_signals import STOP_SIGNALS
from wavewright.instruments.waits import until_set
from wavewright.quantities import show_quantity
from wavewright.simulation.library import SimulatedVisa, open_library
from wavewright.simulation.server.hislip import HislipServer
from wavewright.simulation.server.hub import Hub
from wavewright.simulation.server.raw_socket import RawSocketConnection

LOOPBACK = "127.0.0.1"


class BenchServer:
    """A simulated bench that listens on TCP while the `with` block lasts, in a thread of its own.

    Parameters
    ----------
    bench : a bench file whose library is `FILE@sim`.
    hislip : HiSLIP in place of raw sockets.
    host : the address to listen on.
    seed : in place of the bench file's; draw : decides what fluctuates, the seed if None.
    latency : s, from the moment at which an instrument has an answer until it is sent. Each connection waits by itself,
        and of several answers on one connection each waits for the one before.

    Raises
    ------
    FileFault : a file cannot be used.
    Misuse : the latency is not a time, or as long as a time-out of the bench's profiles.

    Attributes
    ----------
    addresses : VISA address of each instrument by the resource name that the bench file has for it.
    """

    def __init__(
        self,
        bench: str | Path,
        *,
        hislip: bool = False,
        host: str = LOOPBACK,
        seed: int | None = None,
        draw: int | None = None,
        latency: float = 0.0,
    ) -> None:
        self.bench = Path(bench)
        self.host = host
        loaded = load_bench(self.bench)
        self.library = _simulated(loaded, seed, draw)
        self.latency = _checked_latency(latency, loaded)
        self.addresses: dict[str, str] = {}
        self._is_hislip = hislip
        self._hub = Hub(self.library.instruments)
        self._hislip_servers: list[HislipServer] = []
        self._listening = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None
        self._fault: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="simulated bench", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        self._listening.wait()
        if self._fault is not None:
            raise BenchFault(
                f"cannot listen on {self.host}: {self._fault}", do="give an address of this machine, or free the port"
            ) from self._fault
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._loop is not None and self._stopping is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stopping.set)
        self._thread.join()

    @property
    def clients(self) -> int:
        """How many are connected now."""
        return len(self._hub)

    def write_bench(self, path: str | Path) -> None:
        """Write a bench file that points at the sockets; the file appears whole or not at all.

        Raises
        ------
        StorageFault : it cannot be written.
        """
        target = Path(path)
        text = yaml.safe_dump(self._pointing_here(), sort_keys=False, allow_unicode=True)
        head = f"# {self.bench} as it is served on {self.host}. Of use as long as the server runs.\n"
        try:
            write_whole(target, head + text)
        except OSError as fault:
            raise StorageFault(f"cannot be written: {fault.strerror}", where=str(target)) from fault

    def _pointing_here(self) -> dict[str, Any]:
        content: dict[str, Any] = yaml.safe_load(self.bench.read_text(encoding="utf-8"))
        content.pop("simulation", None)
        content["about"] = f"{content.get('about', 'a simulated bench')}, served on {self.host}"
        content["library"] = "@py"
        content["simulated"] = True
        entries = [*content.get("instruments", {}).values(), *([content["prompts"]] if "prompts" in content else [])]
        for entry in entries:
            entry["resource"] = self._served(entry["resource"])
            profile = str(entry.get("profile", ""))
            if profile.endswith((".yaml", ".yml")):
                entry["profile"] = str((self.bench.parent / profile).resolve())
        return content

    def _served(self, resource: str) -> str:
        """Where an instrument of the bench file is served.

        Raises
        ------
        FileFault : the simulated library has no such instrument.
        """
        address = self.addresses.get(to_canonical_name(resource))
        if address is None:
            raise FileFault(
                f"no simulated instrument has the address `{resource}`",
                where=str(self.bench),
                expected=f"one of {', '.join(self.addresses)}",
            )
        return address

    # --- in the server's thread

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except OSError as fault:
            self._fault = fault
        finally:
            self._listening.set()

    async def _serve(self) -> None:
        self._loop, self._stopping = asyncio.get_running_loop(), asyncio.Event()
        servers = [await self._listen(resource) for resource in self.library.instruments]
        self._listening.set()
        await self._stopping.wait()
        for server in servers:
            server.close()
        self._hub.close()
        for hislip in self._hislip_servers:
            await hislip.close()
        for server in servers:
            await server.wait_closed()

    async def _listen(self, resource: str) -> asyncio.Server:
        device = self.library.instruments[resource]
        if self._is_hislip:
            hislip = HislipServer(self._hub, device, latency=self.latency)
            self._hislip_servers.append(hislip)
            server = await asyncio.start_server(hislip.serve, self.host, 0, limit=1 << 22)
        else:
            loop = asyncio.get_running_loop()
            server = await loop.create_server(
                lambda: RawSocketConnection(self._hub, device, latency=self.latency), self.host, 0
            )
        port = server.sockets[0].getsockname()[1]
        wire = f"hislip0,{port}::INSTR" if self._is_hislip else f"{port}::SOCKET"
        self.addresses[resource] = f"TCPIP0::{self.host}::{wire}"
        return server


def serve(
    bench: str | Path,
    *,
    hislip: bool = False,
    host: str = LOOPBACK,
    write_bench: str | Path | None = None,
    seed: int | None = None,
    draw: int | None = None,
    latency: float = 0.0,
    say: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve a simulated bench until SIGINT, SIGTERM or SIGHUP comes; returns then. Call it in the main thread.

    Parameters
    ----------
    bench : a bench file whose library is `FILE@sim`.
    hislip : HiSLIP in place of raw sockets.
    host : the address to listen on; anything but the loopback address lets others in, and that is said.
    write_bench : a bench file to write once the bench listens; it points at the sockets.
    seed : in place of the bench file's; draw : decides what fluctuates, the seed if None.
    latency : s, that each answer takes.
    say : gets each line that the user should see.

    Raises
    ------
    FileFault : a file cannot be used.
    BenchFault : the address cannot be listened on.
    Misuse : the latency cannot be used.
    StorageFault : the bench file cannot be written.
    """
    stopped = threading.Event()
    came: list[int] = []

    def stop(number: int, frame: object) -> None:
        came.append(number)
        stopped.set()

    heeded = [number for number in STOP_SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
    previous = {number: signal.signal(number, stop) for number in heeded}
    try:
        with BenchServer(bench, hislip=hislip, host=host, seed=seed, draw=draw, latency=latency) as server:
            for line in _lines(server.addresses, host):
                say(line)
            if latency:
                say(f"each answer after {show_quantity(latency, 's')}")
            if write_bench is not None:
                server.write_bench(write_bench)
                say(f"bench file: {write_bench}")
            until_set(stopped)
        say(f"stopped by {signal.Signals(came[0]).name}")
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def _lines(addresses: Mapping[str, str], host: str) -> list[str]:
    reach = "this machine only" if host in (LOOPBACK, "localhost", "::1") else "everybody who reaches this address"
    return [f"listening on {host}, for {reach}", *(f"{here}  is  {there}" for there, here in addresses.items())]


def _simulated(loaded: BenchFile, seed: int | None, draw: int | None) -> SimulatedVisa:
    """The library of a bench file.

    Raises
    ------
    FileFault : the bench file is not one of a simulated bench.
    """
    file, at, name = loaded.grammar.library.rpartition("@")
    if not at or name != "sim":
        raise FileFault(
            f"`library: {loaded.grammar.library}`", where=loaded.path, expected="a simulated one, `FILE@sim`"
        )
    return open_library(str(loaded.folder / file), settings=loaded.simulation_settings(seed=seed, draw=draw))


def _checked_latency(latency: float, loaded: BenchFile) -> float:
    """The latency, if it is a time after which no answer counts as missing.

    Raises
    ------
    Misuse : it is not.
    """
    if not (math.isfinite(latency) and latency >= 0):
        raise Misuse(f"a latency of {latency:g} s", expected="a finite time in s, 0 or more")
    timeouts = [
        (float(getattr(profile.grammar.quirks, key)), key, name)
        for name, profile in loaded.profiles.items()
        for key in ("timeout", "record_timeout")
    ]
    shortest, key, name = min(timeouts, default=(math.inf, "", ""))
    if latency >= shortest:
        raise Misuse(
            f"with a latency of {show_quantity(latency, 's')} every answer of `{name}` counts as missing: its profile "
            f"has `{key}: {show_quantity(shortest, 's')}`",
            where=loaded.path,
            expected=f"less than {show_quantity(shortest, 's')}",
            do=f"give a shorter latency, or a longer `quirks: {{{key}: …}}` in the profile",
        )
    return latency
