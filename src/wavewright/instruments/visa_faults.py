"""What VISA libraries raise, in our own tree of errors.

Not all of it descends from PyVISA's base class: a bad address is a ValueError there, and PyVISA-py lets through what
the operating system raises, and RuntimeError, NotImplementedError and bare Exception too (seen with PyVISA-py 0.8.1).
"""

from __future__ import annotations

import re
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from wavewright.errors import BadAnswer, FileFault, LinkLost, NoAnswer, WireFault

if TYPE_CHECKING:
    from pyvisa.errors import VisaIOError

# by the names of VISA's status codes
_GARBLED = frozenset({"error_serial_parity", "error_serial_framing", "error_serial_overrun", "error_invalid_length"})
_NOT_OFFERED = frozenset(
    {
        "error_nonsupported_operation",
        "error_nonsupported_attribute",
        "error_nonsupported_attribute_state",
        "error_nonimplemented_operation",
        "error_nonsupported_mechanism",
        "error_nonsupported_width",
    }
)
# What PyVISA-py asks to be installed, by the extra of ours that brings it.
_EXTRAS = {"pyusb": "usb", "pyserial": "serial"}
_OF_PYTHON = (OSError, RuntimeError, NotImplementedError, AttributeError, EOFError)


def foreign() -> tuple[type[BaseException], ...]:
    """What may come out of the operating system and, once it is loaded, of PyVISA: a raw socket can do without that."""
    if "pyvisa" not in sys.modules:
        return _OF_PYTHON
    from pyvisa import errors, rname

    return (*_OF_PYTHON, errors.Error, rname.InvalidResourceName)


def _by_visa(fault: BaseException) -> VisaIOError | None:
    """The fault, where VISA has a status code for it."""
    if "pyvisa" not in sys.modules:
        return None
    from pyvisa.errors import VisaIOError

    return fault if isinstance(fault, VisaIOError) else None


def is_time_out(fault: BaseException) -> bool:
    """Whether VISA says that nothing came in time."""
    by_visa = _by_visa(fault)
    return by_visa is not None and _is_one_of(by_visa, {"error_timeout"})


def _is_one_of(fault: VisaIOError, names: Collection[str]) -> bool:
    from pyvisa.constants import StatusCode

    return fault.error_code in {StatusCode[name] for name in names}


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
    except foreign() as fault:
        raise translate(fault, resource=resource, doing=doing, waited=waited) from fault


def translate(fault: BaseException, *, resource: str, doing: str, waited: float | None = None) -> WireFault:
    """The error of ours that stands for one of theirs."""
    within = "in time" if waited is None else f"within {waited:.3g} s"
    if (by_visa := _by_visa(fault)) is not None:
        what = f"{by_visa.abbreviation} {doing}"
        if is_time_out(fault):
            return NoAnswer(f"no answer {within} {doing}", where=resource)
        if _is_one_of(by_visa, _GARBLED):
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
    if (by_visa := _by_visa(fault)) is not None:
        return by_visa.description.rstrip(".")
    text = str(fault) or type(fault).__name__

    def sentence(number: re.Match[str]) -> str:
        from pyvisa import errors

        _, words = errors.completion_and_error_messages.get(int(number[0]), ("", number[0]))
        return words.rstrip(".")

    return re.sub(r"-10738\d{5}", sentence, text)


def is_not_offered(fault: BaseException) -> bool:
    """Whether the library says that this wire has no such function, rather than that it failed."""
    if (by_visa := _by_visa(fault)) is not None:
        return _is_one_of(by_visa, _NOT_OFFERED)
    from pyvisa import errors  # there, since whoever asks has called it

    return isinstance(fault, (NotImplementedError, AttributeError, errors.UnknownHandler))


def _invalid_name() -> type[ValueError]:
    from pyvisa.rname import InvalidResourceName

    return InvalidResourceName


def refused_address(resource: str, fault: BaseException) -> FileFault | LinkLost:
    """Why an address could not be opened: it is none, or nobody is there."""
    if "pyvisa" in sys.modules and isinstance(fault, _invalid_name()):
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
