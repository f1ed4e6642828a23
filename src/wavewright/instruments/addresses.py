"""VISA addresses as people write them, and the mistakes that a VISA library takes for something else."""

from __future__ import annotations

import re

from wavewright.errors import Misuse

_HOST = r"(?:[a-z][\w.-]*|\d{1,3}(?:\.\d{1,3}){3})"
_USUAL = re.compile(rf"TCPIP\d*::{_HOST}::(?:(?:inst|hislip)\d+::INSTR|\d{{1,5}}::SOCKET)", re.ASCII | re.IGNORECASE)
_CLASSES = ("INSTR", "SOCKET", "INTFC", "RAW")


def check_address(address: str) -> str:
    """The address, unchanged.

    Raises
    ------
    Misuse : no VISA address, or one that means something else than it looks like: a port without `SOCKET` is taken
        for the name of a LAN device, and a class in small letters likewise (seen with PyVISA 1.16.2).
    """
    parts = address.split("::")
    if "[" in address:
        raise Misuse(
            f"`{address}` holds a bracket, as IPv6 addresses do",
            expected="a name or an IPv4 address",
            do="give the host a name",
        )
    if parts[-1].upper() in _CLASSES and parts[-1] not in _CLASSES:
        right = "::".join([*parts[:-1], parts[-1].upper()])
        raise Misuse(f"`{address}` ends in `{parts[-1]}`", expected="capitals", do=f"did you mean `{right}`?")
    if re.match(r"TCPIP\d*$", parts[0]) and any(part.isdigit() for part in parts[2:]) and parts[-1] != "SOCKET":
        bare = [part for part in parts if part != "INSTR"]
        right = "::".join([*bare, "SOCKET"])
        raise Misuse(
            f"`{address}` names a port, and no `SOCKET`",
            expected="`TCPIP0::host::port::SOCKET` for a raw socket",
            do=f"did you mean `{right}`?",
        )
    if _USUAL.fullmatch(address):  # most addresses: the library, which takes a while to load, would only agree
        return address
    from pyvisa import rname

    try:
        rname.parse_resource_name(address)
    except ValueError as fault:
        raise Misuse(
            f"`{address}` is not a VISA address: {fault}", expected="such as TCPIP0::host::inst0::INSTR"
        ) from fault
    return address
