"""Commands that every device has: IEEE 488.2-1992, 10; SCPI-99, SYSTem and STATus †."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Protocol

from wavewright.simulation.scpi.error_queue import TEXTS, error_entry
from wavewright.simulation.scpi.instrument import Answer, Command, ReceivedHeader, Reply, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import NumericParameter, definite_block, only
from wavewright.simulation.scpi.status import OPERATION_COMPLETE, RegisterSet, StatusByte, StatusRegisters

_MASK = NumericParameter(minimum=0, maximum=255, is_integer=True)
_WIDE_MASK = NumericParameter(minimum=0, maximum=32767, is_integer=True)
_REGISTER = NumericParameter(minimum=0, maximum=9, is_integer=True)
_SCPI_VERSION = "1999.0"


class CommandedDevice(Protocol):
    """What these commands reach of the device that has them."""

    instrument: SimulatedInstrument
    status: StatusRegisters
    completes_later: bool

    @property
    def is_busy(self) -> bool:
        """True while an operation is pending."""
        ...

    def headers(self) -> list[str]:
        """Every header pattern of the device."""
        ...

    def reset(self) -> None:
        """`*RST`."""
        ...

    def when_complete(self, reply: str | None) -> Reply:
        """A reply that has to wait for all pending operations."""
        ...


def _told(kind: NumericParameter, use: Callable[[int], None]) -> Callable[[ReceivedHeader], Reply]:
    def tell(call: ReceivedHeader) -> None:
        only(call.elements, 1, 1)
        use(int(kind.read(call.elements[0])))

    return tell


def _done(use: Callable[[], Reply]) -> Callable[[ReceivedHeader], Reply]:
    def tell(call: ReceivedHeader) -> Reply:
        only(call.elements, 0, 0)
        return use()

    return tell


def _setter(target: object, name: str) -> Callable[[int], None]:
    return lambda value: setattr(target, name, value)


def common(device: CommandedDevice) -> Mapping[str, Command]:
    """The common commands of a device, by their name without the asterisk."""
    status, instrument = device.status, device.instrument

    def clear() -> None:
        status.clear()
        device.completes_later = False

    def complete() -> None:
        if device.is_busy:
            device.completes_later = True
        else:
            status.event |= OPERATION_COMPLETE

    def recall(register: int) -> None:
        instrument.reset()
        instrument.settings.recall(register)
        for row in instrument.settings.rows.values():
            for number in range(1, row.count + 1):
                instrument.changed(row.key, number)

    def learned() -> Answer:
        return Answer(";".join(("*RST", *instrument.settings.messages())).encode("ascii"), is_last=True)

    def service_enable(mask: int) -> None:
        status.service_enable = mask & ~int(StatusByte.REQUEST)

    return {
        "CLS": Command(tell=_done(clear)),
        "ESE": Command(_told(_MASK, _setter(status, "event_enable")), _done(lambda: str(status.event_enable))),
        "ESR": Command(ask=_done(lambda: str(status.take_event()))),
        "IDN": Command(ask=_done(lambda: Answer(instrument.identity.encode("ascii"), is_last=True))),
        "LRN": Command(ask=_done(learned)),
        "OPC": Command(tell=_done(complete), ask=_done(lambda: device.when_complete("1"))),
        "OPT": Command(ask=_done(lambda: Answer(b"0", is_last=True))),
        "RCL": Command(tell=_told(_REGISTER, recall)),
        "RST": Command(tell=_done(device.reset)),
        "SAV": Command(tell=_told(_REGISTER, instrument.settings.save)),
        "SRE": Command(_told(_MASK, service_enable), _done(lambda: str(status.service_enable))),
        "STB": Command(ask=_done(lambda: str(_master_summary(device)))),
        "TRG": Command(tell=_done(instrument.trigger)),
        "TST": Command(ask=_done(lambda: str(instrument.self_test()))),
        "WAI": Command(tell=_done(lambda: device.when_complete(None))),
    }


def for_dialects(device: CommandedDevice) -> Mapping[str, Command]:
    """Actions of every device that a definition file can give headers of another language to."""

    def next_fault() -> str:
        code, detail = device.status.errors.next()
        return f"{abs(code)} {TEXTS.get(code, '')} {detail}".strip().encode("ascii", "replace").decode("ascii")

    return {"next_fault": Command(ask=_done(next_fault))}


def _master_summary(device: CommandedDevice) -> int:
    byte = device.status.byte(message_available=False)
    return byte | (int(StatusByte.REQUEST) if byte & device.status.service_enable else 0)


def subsystems(device: CommandedDevice) -> Mapping[str, Command]:
    """The headers that SCPI-99 requires of every instrument, and some that it allows."""
    commands = dict(_system(device))
    commands.update(_register_commands("OPERation", device.status.operation))
    commands.update(_register_commands("QUEStionable", device.status.questionable))

    def preset() -> None:
        device.status.operation.preset()
        device.status.questionable.preset()

    commands["STATus:PRESet"] = Command(tell=_done(preset))
    return commands


def _system(device: CommandedDevice) -> Iterator[tuple[str, Command]]:
    errors = device.status.errors

    def everything(entry: Callable[[int, str], str]) -> str:
        entries = [entry(*errors.next())]
        while len(errors):
            entries.append(entry(*errors.next()))
        return ",".join(entries)

    yield "SYSTem:ERRor[:NEXT]", Command(ask=_done(lambda: error_entry(*errors.next())))
    yield "SYSTem:ERRor:ALL", Command(ask=_done(lambda: everything(error_entry)))
    yield "SYSTem:ERRor:COUNt", Command(ask=_done(lambda: str(len(errors))))
    yield "SYSTem:ERRor:CODE[:NEXT]", Command(ask=_done(lambda: str(errors.next()[0])))
    yield "SYSTem:ERRor:CODE:ALL", Command(ask=_done(lambda: everything(lambda code, _: str(code))))
    yield "SYSTem:VERSion", Command(ask=_done(lambda: _SCPI_VERSION))
    listed = lambda: Answer(definite_block("\n".join(device.headers()).encode("ascii")))  # noqa: E731
    yield "SYSTem:HELP:HEADers", Command(ask=_done(listed))


def _register_commands(name: str, registers: RegisterSet) -> Iterator[tuple[str, Command]]:
    root = f"STATus:{name}"
    yield f"{root}[:EVENt]", Command(ask=_done(lambda: str(registers.take_event())))
    yield f"{root}:CONDition", Command(ask=_done(lambda: str(registers.condition)))

    def asked(attribute: str) -> str:
        return str(getattr(registers, attribute))

    for node, attribute in (("ENABle", "enable"), ("PTRansition", "positive"), ("NTRansition", "negative")):
        yield (
            f"{root}:{node}",
            Command(
                _told(_WIDE_MASK, _setter(registers, attribute)),
                _done(partial(asked, attribute)),
            ),
        )
