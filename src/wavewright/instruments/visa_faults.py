"""What VISA libraries raise, in our own tree of errors.

Not all of it descends from PyVISA's base class: a bad address is a ValueError there, and PyVISA-py lets through what
the operating system raises, and RuntimeError, NotImplementedError and bare Exception too (seen with PyVISA-py 0.8.1).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

from pyvisa import errors, rname
from pyvisa.constants import StatusCode

from wavewright.errors import BadAnswer, FileFault, LinkLost, NoAnswer, WireFault

_GARBLED = {
    StatusCode.error_serial_parity,
    StatusCode.error_serial_framing,
    StatusCode.error_serial_overrun,
    StatusCode.error_invalid_length,
}
_NOT_OFFERED = {
    StatusCode.error_nonsupported_operation,
    StatusCode.error_nonsupported_attribute,
    StatusCode.error_nonsupported_attribute_state,
    StatusCode.error_nonimplemented_operation,
    StatusCode.error_nonsupported_mechanism,
    StatusCode.error_nonsupported_width,
}
# What PyVISA-py asks to be installed, by the extra of ours that brings it.
_EXTRAS = {"pyusb": "usb", "pyserial": "serial"}
FOREIGN = (
    errors.Error,
    OSError,
    RuntimeError,
    NotImplementedError,
    rname.InvalidResourceName,
    AttributeError,
    EOFError,
)


@contextmanager
def named_faults(resource: str, doing: str, *, waited: float | None = None) -> Iterator[None]:
    """Turn what the library raises into NoAnswer, BadAnswer or LinkLost; the original stays as the cause.

    Parameters
    ----------
    resource : address and name of the instrument, as the message shall begin.
    doing : what we had been sending or waiting for, such as "after `*IDN?`".
    waited : s; how long an answer was waited for.
    """
    try:
        yield
    except FOREIGN as fault:
        raise translate(fault, resource=resource, doing=doing, waited=waited) from fault


def translate(fault: BaseException, *, resource: str, doing: str, waited: float | None = None) -> WireFault:
    """The error of ours that stands for one of theirs."""
    within = "in time" if waited is None else f"within {waited:.3g} s"
    if isinstance(fault, errors.VisaIOError):
        what = f"{fault.abbreviation} {doing}"
        if fault.error_code == StatusCode.error_timeout:
            return NoAnswer(f"no answer {within} {doing}", where=resource)
        if fault.error_code in _GARBLED:
            return BadAnswer(f"corrupted data received: {what}", where=resource)
    else:
        what = f"{type(fault).__name__} {doing}: {fault}"
    if isinstance(fault, TimeoutError):
        return NoAnswer(f"no answer {within} {doing}", where=resource)
    return LinkLost(
        f"the connection is gone: {what}", where=resource, do="check cable, power and address, then start the run again"
    )


def _in_words(fault: BaseException) -> str:
    """What the library or the operating system says, with VISA's numbers turned into the sentences that they stand for.

    PyVISA-py 0.8.1 says "could not connect: -1073807339" where it means a time-out.
    """
    if isinstance(fault, errors.VisaIOError):
        return fault.description.rstrip(".")
    text = str(fault) or type(fault).__name__

    def sentence(number: re.Match[str]) -> str:
        _, words = errors.completion_and_error_messages.get(int(number[0]), ("", number[0]))
        return words.rstrip(".")

    return re.sub(r"-10738\d{5}", sentence, text)


def is_not_offered(fault: BaseException) -> bool:
    """Whether the library says that this wire has no such function, rather than that it failed."""
    if isinstance(fault, errors.VisaIOError):
        return fault.error_code in _NOT_OFFERED
    return isinstance(fault, (NotImplementedError, AttributeError, errors.UnknownHandler))


def refused_address(resource: str, fault: BaseException) -> FileFault | LinkLost:
    """Why an address could not be opened: it is none, or nobody is there."""
    if isinstance(fault, rname.InvalidResourceName):
        return FileFault(f"`{resource}` is not a VISA address: {fault}", expected="such as TCPIP0::host::inst0::INSTR")
    for package, extra in _EXTRAS.items():
        if package in str(fault).lower() and "install" in str(fault).lower():
            return LinkLost(
                f"no connection: the package {package} is not installed",
                where=resource,
                do=f"install `wavewright[{extra}]`: pip install 'wavewright[{extra}]'",
            )
    return LinkLost(
        f"no connection: {_in_words(fault)}",
        where=resource,
        do="check that the instrument is on, and its address in the bench file",
    )
