"""A simulated bench of one's own for each test."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from wavewright.simulation.library import SimulatedVisa, open_library

SIM = Path(__file__).parents[2] / "sim"

Ask = Callable[[str], MessageBasedResource]


def opened(board: str = "vc204.yaml", **settings: object) -> SimulatedVisa:
    """A fresh simulated bench."""
    return open_library(str(SIM / "instruments.yaml"), settings={"board": str(SIM / board), "seed": 204, **settings})


def connect(library: SimulatedVisa, name: str) -> MessageBasedResource:
    """A session with one of its instruments."""
    resource = pyvisa.ResourceManager(library).open_resource(
        f"TCPIP0::{name}.example::inst0::INSTR", read_termination="\n", write_termination="\n"
    )
    assert isinstance(resource, MessageBasedResource)
    return resource


@pytest.fixture
def library() -> SimulatedVisa:
    return opened()


@pytest.fixture
def instrument(library: SimulatedVisa) -> Ask:
    return lambda name: connect(library, name)


@pytest.fixture
def digitizer(instrument: Ask) -> MessageBasedResource:
    return instrument("digitizer")


def errors_of(resource: MessageBasedResource) -> list[int]:
    """The codes in an instrument's error queue, which is empty afterwards."""
    codes = []
    while code := int(resource.query("SYSTem:ERRor:CODE?")):
        codes.append(code)
    return codes


def told(resource: MessageBasedResource, *messages: str) -> None:
    """Send messages, and see that none was complained of."""
    for message in messages:
        resource.write(message)
    assert errors_of(resource) == []
