"""From an address to a link that has identified its instrument."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

from wavewright.errors import LinkLost, WavewrightError
from wavewright.instruments import waits
from wavewright.instruments.bounded_call import in_time
from wavewright.instruments.library import LaterPyVisa
from wavewright.instruments.link import Link
from wavewright.instruments.socket_wire import Session, SocketWire, wire_of
from wavewright.instruments.visa_faults import refused_address
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wire_settings import WireSettings
from wavewright.instruments.wires import Wire

if TYPE_CHECKING:
    import pyvisa
    from pyvisa.resources import Resource

S = TypeVar("S", bound=Session)
_RAW_SOCKET = re.compile(r"TCPIP\d*::([\w.-]+)::(\d{1,5})::SOCKET", re.ASCII)


def open_link(
    manager: pyvisa.ResourceManager | LaterPyVisa,
    resource: str,
    *,
    name: str = "",
    manners: WireSettings | None = None,
    wire_log: WireLog | None = None,
    pause: Callable[[float], None] = waits.sleep,
) -> Link:
    """Connect, and ask at once who is there: opening a raw socket to nobody succeeds (seen with PyVISA-py 0.8.1).

    Raises
    ------
    LinkLost, NoAnswer, BadAnswer : nobody is there, or not an instrument.
    """
    polite = manners or WireSettings()

    def connect(timeout: float) -> Wire:
        return _open_wire(manager, resource, polite.read_termination, timeout)

    link = Link(connect, resource=resource, name=name, manners=polite, wire_log=wire_log, pause=pause)
    try:
        link.identify()
    except BaseException:
        link.close()
        raise
    return link


def _open_wire(manager: pyvisa.ResourceManager | LaterPyVisa, resource: str, termination: str, timeout: float) -> Wire:
    if isinstance(manager, LaterPyVisa):
        if (place := _RAW_SOCKET.fullmatch(resource)) is not None:
            peer = _opened(lambda: _connected(place[1], int(place[2]), timeout), resource, timeout)
            return SocketWire(peer, peer, termination=termination)
        manager = manager.started()  # here, so that loading it does not count as a wait for the instrument
    library = manager

    def open_resource() -> Resource:
        return library.open_resource(resource, open_timeout=int(1000 * timeout) + 1)

    visa = _opened(open_resource, resource, timeout)
    from pyvisa.resources import MessageBasedResource

    from wavewright.instruments.hislip_wire import hislip_wire_of

    if not isinstance(visa, MessageBasedResource):
        visa.close()
        raise LinkLost("messages cannot be sent to this kind of resource", where=resource)
    return hislip_wire_of(visa, termination=termination) or wire_of(visa, termination=termination)


def _connected(host: str, port: int, timeout: float) -> socket.socket:
    peer = socket.create_connection((host, port), timeout)
    peer.settimeout(None)  # as PyVISA-py leaves it: whoever reads waits for it first
    return peer


def _opened(call: Callable[[], S], resource: str, timeout: float) -> S:
    try:
        return in_time(call, timeout, discard=lambda late: late.close())
    except WavewrightError:  # of a library of ours, a replay say
        raise
    except TimeoutError as fault:
        raise LinkLost(
            f"no connection within {timeout:.3g} s",
            where=resource,
            do="check that the instrument is on, and its address in the bench file",
        ) from fault
    except Exception as fault:  # other people's code: PyVISA-py raises bare Exception here
        raise refused_address(resource, fault) from fault
