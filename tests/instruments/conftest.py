"""Links to plain devices over three wires: one that marks ends, a stream, and a real socket."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
import pyvisa

from tests.instruments.plain_visa import Device, library_of, served
from wavewright.instruments.connecting import open_link
from wavewright.instruments.link import Link
from wavewright.instruments.wire_settings import WireSettings

QUICK = WireSettings(timeout=0.15)
MARKED = "TCPIP0::plain.example::inst0::INSTR"
STREAM = "TCPIP0::plain.example::5025::SOCKET"
Connect = Callable[..., Link]


@pytest.fixture(params=["marked", "unclearable", "stream", "socket"])
def connect(request: pytest.FixtureRequest) -> Iterator[Connect]:
    """Connects to a device over: a wire with end marks, one without device clear, a stream, a socket of PyVISA-py."""
    kind = request.param
    with ExitStack() as stack:

        def to(device: Device, *, manners: WireSettings = QUICK, **options: Any) -> Link:
            if kind == "socket":
                server = stack.enter_context(served(device))
                manager, address = pyvisa.ResourceManager("@py"), server.address
            else:
                address = STREAM if kind == "stream" else MARKED
                manager = pyvisa.ResourceManager(library_of({address: device}, has_clear=kind == "marked"))
            link = open_link(manager, address, name="plain", manners=manners, **options)
            stack.callback(link.close)
            return link

        yield to


@pytest.fixture
def wire_kind(request: pytest.FixtureRequest) -> str:
    """Which wire `connect` uses in this test."""
    return str(request.node.callspec.params["connect"])
