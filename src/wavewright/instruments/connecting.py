"""From an address to a link that has identified its instrument."""

from __future__ import annotations

from collections.abc import Callable

import pyvisa
from pyvisa.resources import MessageBasedResource, Resource

from wavewright.errors import LinkLost, WavewrightError
from wavewright.instruments import waits
from wavewright.instruments.bounded_call import in_time
from wavewright.instruments.hislip_wire import hislip_wire_of
from wavewright.instruments.link import Link
from wavewright.instruments.socket_wire import wire_of
from wavewright.instruments.visa_faults import refused_address
from wavewright.instruments.wire_log import WireLog
from wavewright.instruments.wire_settings import WireSettings
from wavewright.instruments.wires import Wire


def open_link(
    manager: pyvisa.ResourceManager,
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


def _open_wire(manager: pyvisa.ResourceManager, resource: str, termination: str, timeout: float) -> Wire:
    def open_resource() -> Resource:
        return manager.open_resource(resource, open_timeout=int(1000 * timeout) + 1)

    try:
        visa = in_time(open_resource, timeout, discard=lambda late: late.close())
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
    if not isinstance(visa, MessageBasedResource):
        visa.close()
        raise LinkLost("messages cannot be sent to this kind of resource", where=resource)
    return hislip_wire_of(visa, termination=termination) or wire_of(visa, termination=termination)
