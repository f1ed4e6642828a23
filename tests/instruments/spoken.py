"""Instruments on real sockets that the tests bring themselves: nothing of the simulation is in them.

Each keeps what it is told under its header and answers it when asked. A test puts something else in its place: `twists`
changes a value when it is set, `answers` holds what is answered whatever was set, `at` does something at a message.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.instruments.plain_visa import Server
from tests.instruments.program_units import answer_of, units_of
from wavewright.instruments.bench_file import BenchFile, load_bench

POWER_ON = 128  # IEEE 488.2-1992, 11.5.1.2 (from memory, not verified)


class Spoken:
    """A device that stores values by their headers; short and long forms are one, as far as the tests need it.

    Parameters
    ----------
    starts : what each header holds after `*RST`.
    """

    sets_with = " "  # between a header and its value
    identity = "Reedbank,Spoken,0,1.0"
    asks_events, asks_errors, resets = "*ESR?", "SYSTem:ERRor?", "*RST"

    def __init__(self, starts: Mapping[str, str]) -> None:
        self.starts = dict(starts)
        self.held = dict(starts)
        self.answers: dict[str, str | list[str]] = {}
        self.twists: dict[str, Callable[[str], str]] = {}
        self.at: dict[str, Callable[[], None]] = {}
        self.sent: list[str] = []
        self.queries = 0  # messages with a query, as they come over the wire
        self.events = POWER_ON
        self.hangs_up_after = -1  # messages; never

    def restart(self) -> None:
        """As if somebody pulled the plug and put it back."""
        self.held = dict(self.starts)
        self.events = POWER_ON

    def __call__(self, message: bytes) -> bytes | None:
        self.queries += b"?" in message
        return answer_of([self._said(unit) for unit in units_of(message.decode("ascii", "replace").strip())])

    def _said(self, text: str) -> bytes | None:
        self.sent.append(text)
        if text in self.at:
            self.at[text]()
        answer = self._answer(text)
        return None if answer is None else answer if isinstance(answer, bytes) else answer.encode() + b"\n"

    def _answer(self, text: str) -> str | bytes | None:
        if text in self.answers:
            ordered = self.answers[text]
            if isinstance(ordered, str):
                return ordered
            if ordered:
                return ordered.pop(0)
        if text == "*IDN?":
            return self.identity
        if text == self.asks_events:
            events, self.events = self.events, 0
            return str(events)
        if text == self.asks_errors:
            return '0,"No error"'
        if text == self.resets:
            self.held = dict(self.starts)
            return None
        return self.own(text)

    def own(self, text: str) -> str | bytes | None:
        """What is asked of this kind of instrument."""
        if text.endswith("?"):
            return self.held.get(text[:-1], "0")
        header, _, value = text.partition(self.sets_with)
        self.held[header] = self.twists.get(header, lambda said: said)(value)
        return None


OUTPUT, VOLTS = "OUTPut:STATe", "SOURce:VOLTage:LEVel:IMMediate:AMPLitude"
AMPERES = "SOURce:CURRent:LEVel:IMMediate:AMPLitude"
AT_THE_TERMINALS, DRAWN = "MEASure:SCALar:VOLTage:DC?", "MEASure:SCALar:CURRent:DC?"


class ScpiSupply(Spoken):
    """A supply with the headers of SCPI-99; the board on it is 160 ohm."""

    identity = "Reedbank,Plain supply,0,1.0"

    def __init__(self) -> None:
        super().__init__({OUTPUT: "0", VOLTS: "0", AMPERES: "0.1"})
        self.sticks_at: float | None = None  # V, whatever its output says
        self.residue: list[float] = []  # V, at the terminals after the output has gone off

    def own(self, text: str) -> str | bytes | None:
        if text == AT_THE_TERMINALS:
            return f"{self.terminals():.4f}"
        if text == DRAWN:
            return f"{self.terminals() / 160:.6f}"
        return super().own(text)

    def terminals(self) -> float:
        """V."""
        if self.held[OUTPUT] == "1":
            return float(self.held[VOLTS])
        if self.residue:
            return self.residue.pop(0)
        return self.sticks_at or 0.0


class ScpiSource(Spoken):
    """A source with the headers of SCPI-99."""

    identity = "Reedbank,Plain source,0,1.0"

    def __init__(self) -> None:
        super().__init__({OUTPUT: "0", VOLTS: "1", f"{VOLTS[:-9]}OFFSet": "0", "SOURce:FUNCtion:SHAPe": "SIN"})


class ScpiMeter(Spoken):
    """A meter with the headers of SCPI-99; `reads` is its reading."""

    identity = "Reedbank,Plain meter,0,1.0"

    def __init__(self) -> None:
        super().__init__({"SENSe:FUNCtion": '"VOLT:DC"'})
        self.reads = "3.3"

    def own(self, text: str) -> str | bytes | None:
        if text.startswith("CONFigure:SCALar:"):
            self.held["SENSe:FUNCtion"] = f'"{text.removeprefix("CONFigure:SCALar:")}"'
            return None
        return self.reads if text == "READ?" else super().own(text)


class ScpiDigitizer(Spoken):
    """A digitizer with the headers of SCPI-99; at its inputs a sine of 1 V and 1 kHz, which rises at the trigger.

    The trigger falls somewhere between two samples, each time elsewhere, unless it `is_frozen`: it takes no new record.
    """

    identity = "Reedbank,Plain digitizer,0,1.0"

    def __init__(self) -> None:
        super().__init__({"SENSe:SWEep:POINts": "1000", "SENSe:SWEep:TINTerval": "1E-6", "TRIGger:SOURce": "IMM"})
        self.is_frozen = False
        self.peak = 1.0  # V, of the sine
        self.waits = False  # for the trigger; bit 5 of STATus:OPERation (SCPI-99 volume 2, 20; second-hand)
        self._between = 0.0  # sample intervals, from the trigger to the first sample after it, less a half

    def own(self, text: str) -> str | bytes | None:
        if text == "INITiate" and not self.is_frozen:
            self._between = (self._between + 0.5 + 0.618034) % 1 - 0.5
        if text in ("INITiate", "ABORt", "*OPC?", "*RST"):
            self.waits = text == "INITiate"
        if text == "STATus:OPERation:CONDition?":
            return "32" if self.waits else "0"
        if text == "*OPC?":
            return "1"
        if text == "SENSe:SWEep:TIME?":
            return f"{self.span():.9E}"
        if text.startswith("SENSe:DATA?"):
            return self.block()
        return super().own(text)

    def span(self) -> float:
        """s."""
        points = float(self.held["SENSe:SWEep:POINts"])
        return (points - 1) * float(self.held["SENSe:SWEep:TINTerval"])

    def block(self) -> bytes:
        """One byte a sample, code 0 in the middle of the range, 256 codes over it."""
        points, interval = int(float(self.held["SENSe:SWEep:POINts"])), float(self.held["SENSe:SWEep:TINTerval"])
        position = float(self.held.get("SENSe:SWEep:OREFerence:LOCation", "0"))
        start = float(self.held.get("SENSe:SWEep:OFFSet:TIME", "0")) - position * self.span()
        start += self._between * interval
        gain = float(self.held.get("SENSe1:VOLTage:RANGe:PTPeak", "8")) / 256
        volts = (self.peak * math.sin(2 * math.pi * 1e3 * (start + index * interval)) for index in range(points))
        data = struct.pack(f"{points}b", *(max(-128, min(127, round(one / gain))) for one in volts))
        count = str(len(data))
        return f"#{len(count)}{count}".encode() + data + b"\n"


PROFILES = {
    "digitizer": "scpi-digitizer",
    "supply": "scpi-supply",
    "source": "scpi-source",
    "meter": "scpi-meter",
}


@contextmanager
def bench_of(
    folder: Path, devices: Mapping[str, Spoken], *, profiles: Mapping[str, str] | None = None
) -> Iterator[BenchFile]:
    """A bench file with these instruments, each at a socket of its own while the block lasts.

    Parameters
    ----------
    profiles : by name of the instrument; the shipped one of its name where none is given.
    """
    spoken = {**PROFILES, **(profiles or {})}
    with ExitStack() as stack:
        lines = ["wavewright-bench: 1", 'library: "@py"', "instruments:"]
        for name, device in devices.items():
            server = Server(device)  # type: ignore[arg-type]  # all that a server wants of a device is there
            stack.callback(server.close)
            lines.append(f'  {name}: {{resource: "{server.address}", profile: {spoken[name]}}}')
        path = folder / "bench.yaml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        yield load_bench(path)
