"""Every error that the VISA libraries raise is translated; the walk over their classes shows that none is forgotten."""

from __future__ import annotations

import inspect
import warnings
from collections.abc import Iterator

import pytest
import pyvisa
from pyvisa import errors, rname
from pyvisa.constants import StatusCode

from tests.instruments.conftest import MARKED, STREAM
from tests.instruments.plain_visa import Device, library_of
from wavewright.errors import BadAnswer, FileFault, LinkLost, NoAnswer, WavewrightError, WireFault
from wavewright.instruments.connecting import open_link
from wavewright.instruments.library import list_addresses
from wavewright.instruments.visa_faults import named_faults, translate


def library_errors() -> Iterator[Exception]:
    """One of every error class of PyVISA, and of what PyVISA-py 0.8.1 lets through (seen, see `visa_faults`)."""
    arguments: dict[str, tuple[object, ...]] = {
        "VisaIOError": (StatusCode.error_io,),
        "UnknownHandler": (1, 2, 3),
        "OSNotSupported": ("an operating system",),
        "InvalidBinaryFormat": ("short",),
    }
    for name, kind in inspect.getmembers(errors, inspect.isclass):
        if issubclass(kind, Exception) and not issubclass(kind, Warning) and kind.__module__ == errors.__name__:
            yield kind(*arguments.get(name, ()))
    yield rname.InvalidResourceName("x")
    yield from (ConnectionRefusedError(), BrokenPipeError(), ConnectionResetError(), OSError(5, "I/O"), TimeoutError())
    yield from (RuntimeError("x"), NotImplementedError(), EOFError())


@pytest.mark.parametrize("fault", list(library_errors()), ids=lambda fault: type(fault).__name__)
def test_every_error_of_the_libraries_becomes_one_of_ours(fault: Exception) -> None:
    with pytest.raises(WireFault) as caught, named_faults("GPIB0::9::INSTR (supply)", "after `*IDN?`"):
        raise fault
    assert "GPIB0::9::INSTR (supply)" in str(caught.value)
    assert "after `*IDN?`" in str(caught.value)
    assert caught.value.__cause__ is fault


@pytest.mark.parametrize("code", [code for code in StatusCode if code < 0], ids=lambda code: code.name)
def test_every_status_of_visa_has_its_error(code: StatusCode) -> None:
    ours = translate(errors.VisaIOError(code), resource="x", doing="after `*IDN?`")
    expected = {
        StatusCode.error_timeout: NoAnswer,
        StatusCode.error_serial_parity: BadAnswer,
        StatusCode.error_serial_framing: BadAnswer,
        StatusCode.error_serial_overrun: BadAnswer,
        StatusCode.error_invalid_length: BadAnswer,
    }
    assert type(ours) is expected.get(code, LinkLost)


def test_an_error_of_ours_is_not_translated() -> None:
    with pytest.raises(FileFault), named_faults("x", "y"):
        raise FileFault("mine")


@pytest.mark.parametrize("fault", [Exception("could not connect: 5"), OSError("no route"), RuntimeError("x")], ids=repr)
def test_whatever_opening_raises_is_a_lost_link_with_the_address(fault: Exception) -> None:
    library = library_of({MARKED: Device()}, refuses=fault)
    with pytest.raises(LinkLost, match="no connection") as caught:
        open_link(pyvisa.ResourceManager(library), MARKED)
    assert MARKED in str(caught.value)


def test_an_address_that_nobody_has_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match="requested device or resource is not present"):
        open_link(pyvisa.ResourceManager(library_of({MARKED: Device()})), STREAM)


def test_an_address_that_is_none_is_a_fault_of_the_file() -> None:
    with pytest.raises(WavewrightError, match="not a VISA address"):
        open_link(pyvisa.ResourceManager(library_of({MARKED: Device()})), "SCOPE::1")


def test_what_a_library_cannot_look_for_is_logged_and_nothing_else(caplog: pytest.LogCaptureFixture) -> None:
    class Manager:
        def list_resources(self, query: str) -> tuple[str, ...]:
            for _ in range(2):
                warnings.warn("install this to see that", stacklevel=1)
            warnings.warn("unclosed socket", ResourceWarning, stacklevel=1)
            return ("ASRL1::INSTR",)

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert list_addresses(Manager()) == ("ASRL1::INSTR",)  # type: ignore[arg-type]
    assert [record.getMessage() for record in caplog.records] == ["install this to see that"]


@pytest.mark.parametrize(
    "words, extra",
    [
        # what PyVISA-py 0.8.1 says, as it was seen
        ("Please install PyUSB to use this resource type.\nNo module named 'usb'", "usb"),
        ("Please install PySerial (>=3.0) to use this resource type.\nNo module named 'serial'", "serial"),
    ],
)
def test_a_missing_package_names_the_extra_that_brings_it(words: str, extra: str) -> None:
    library = library_of({MARKED: Device()}, refuses=ValueError(words))
    with pytest.raises(LinkLost, match=rf"is not installed\n  do: install `wavewright\[{extra}\]`"):
        open_link(pyvisa.ResourceManager(library), MARKED)
