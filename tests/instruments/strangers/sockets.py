"""The devices on raw sockets, one connection at a time, as most instruments have it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tests.instruments.program_units import answer_of, units_of
from tests.instruments.strangers.devices import Device, Digitizer, Meter, Source, Supply, World
from tests.instruments.strangers.faults import OF_A_MESSAGE, Fault, Pieces, frozen
from tests.instruments.strangers.languages import LANGUAGES

PATIENCE = 0.25  # s: the time-out that the profiles state for an answer
TIMEOUTS = "timeout: 250 ms, recovery_timeout: 500 ms, record_timeout: 500 ms, connect_timeout: 500 ms"
TARN = """
identify: "who?"
reset: "fresh"
errors: {ask: "moan?", pattern: '^(?P<code>\\d+):(?P<text>.*)$'}
restarted: {ask: "woke?", mask: 1}
"""
PROFILES = {
    "scpi": {
        role: f"wavewright-profile: 1\nname: stranger-{role}\nextends: scpi-{role}\n"
        f'answers_to: "^Stranger"\nquirks: {{{TIMEOUTS}}}\n'
        for role in ("supply", "source", "digitizer", "meter")
    },
    "tarn": {
        "supply": """wavewright-profile: 1
name: tarn-supply
role: supply
answers_to: "^Stranger"
settings:
  voltage: {set: "volts {value}", ask: "volts?", pattern: "^volts=(?P<value>.*)$"}
  current_limit: {set: "amps {value}", ask: "amps?", pattern: "^amps=(?P<value>.*)$"}
  output: {set: "gate {value}", ask: "gate?", words: {on: open, off: shut}, pattern: "^gate=(?P<value>.*)$"}
  measured.voltage: {ask: "probe volts?", pattern: "^probe=(?P<value>.*)$"}
""",
        "source": """wavewright-profile: 1
name: tarn-source
role: source
answers_to: "^Stranger"
settings:
  function: {set: "shape {value}", ask: "shape?", words: {sine: wave, square: block}, pattern: "^shape=(?P<value>.*)$"}
  frequency: {set: "pace {value}", ask: "pace?", pattern: "^pace=(?P<value>.*)$"}
  amplitude: {set: "volts {value}", ask: "volts?", pattern: "^volts=(?P<value>.*)$"}
  offset: {set: "middle {value}", ask: "middle?", pattern: "^middle=(?P<value>.*)$"}
  output: {set: "gate {value}", ask: "gate?", words: {on: open, off: shut}, pattern: "^gate=(?P<value>.*)$"}
""",
        "meter": """wavewright-profile: 1
name: tarn-meter
role: meter
answers_to: "^Stranger"
settings:
  quantity:
    set: "look {value}"
    ask: "look?"
    words: {dc_voltage: "VOLT:DC", resistance: ohms, temperature: TEMP}
    pattern: "^look=(?P<value>.*)$"
  temperature.unit:
    set: "scale {value}"
    ask: "scale?"
    words: {celsius: C, fahrenheit: FAR, kelvin: K}
    pattern: "^scale=(?P<value>.*)$"
  reading: {ask: "take?", pattern: "^take=(?P<value>.*)$"}
""",
        "digitizer": """wavewright-profile: 1
name: tarn-digitizer
role: digitizer
inputs: 4
answers_to: "^Stranger"
settings:
  input.range: {set: "lane {input} span {value}", ask: "lane {input} span?", pattern: "span=(?P<value>.*)$"}
  input.offset: {set: "lane {input} mid {value}", ask: "lane {input} mid?", pattern: "mid=(?P<value>.*)$"}
  input.coupling:
    set: "lane {input} join {value}"
    ask: "lane {input} join?"
    words: {dc: thru, ac: cap}
    pattern: "=(?P<value>.*)$"
  timebase.interval: {set: "tick {value}", ask: "tick?", pattern: "^tick=(?P<value>.*)$"}
  timebase.points: {set: "count {value}", ask: "count?", pattern: "^count=(?P<value>.*)$"}
  timebase.before_trigger: {set: "lead {value}", ask: "lead?", pattern: "^lead=(?P<value>.*)$"}
  trigger.source: {set: "spark from {value}", words: {input: "lane{input}", immediate: now}}
  trigger.slope:
    set: "spark slope {value}"
    ask: "spark slope?"
    words: {rising: up, falling: down}
    pattern: "=(?P<value>.*)$"
  trigger.level: {set: "spark level {value}", ask: "spark level?", pattern: "=(?P<value>.*)$"}
  trigger.auto:
    set: "spark auto {value}"
    ask: "spark auto?"
    words: {on: "yes", off: "no"}
    pattern: "=(?P<value>.*)$"
acquire:
  arm: "go"
  finished: {poll: {ask: "state?", pattern: "^idle$", interval: 5 ms}}
  force: "spark now"
  stop: "halt"
waveform:
  fetch: "codes {input}?"
  format: int16
  formats: {int16: {samples: int16, byte_order: little, codes: [-32768, 32767], codes_over_range: 65536}}
""",
    },
}  # fmt: skip
PROFILES["tarn"] = {role: text + TARN + f"quirks: {{{TIMEOUTS}}}\n" for role, text in PROFILES["tarn"].items()}


class Faulty(Protocol):
    """What decides how a message is answered."""

    def on(self, stranger: Stranger, message: str) -> Pieces:
        """What is sent for a message."""


class Stranger:
    """One device on a port, with its fault if it has one."""

    def __init__(self, device: Device, language: str, fault: Faulty | None = None) -> None:
        self.device, self.language, self.patience = device, language, PATIENCE
        self.fault = fault
        self.kept = b""  # an answer that was held back
        self.heard: list[str] = []
        self.connections = 0
        self._is_over = threading.Event()
        self._peers: list[socket.socket] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def address(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def answer(self, message: str) -> bytes | None:
        """What a healthy device answers."""
        return answer_of([LANGUAGES[self.language](self.device, unit) for unit in units_of(message)])

    def stop_listening(self) -> None:
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        self._listening.close()

    def hang_up(self) -> None:
        for peer in self._peers:
            with suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._is_over.set()
        self.stop_listening()
        self.hang_up()
        for peer in self._peers:  # on Windows nothing less wakes a thread that waits for a word of it
            with suppress(OSError):
                socket.close(peer.detach())
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        while not self._is_over.is_set():
            try:
                peer, _ = self._listening.accept()
            except OSError:
                return
            self.connections += 1
            self._peers.append(peer)
            if self._is_over.is_set():  # it came as the others were hung up
                peer.close()
                return
            self._threads.append(threading.Thread(target=self._talk, args=(peer,), daemon=True))
            self._threads[-1].start()

    def _talk(self, peer: socket.socket) -> None:
        pending = b""
        with peer, suppress(OSError):
            while data := peer.recv(1 << 16):
                pending += data
                while b"\n" in pending:
                    line, _, pending = pending.partition(b"\n")
                    message = line.decode("ascii")
                    self.heard += units_of(message)
                    if not self._reply(peer, message):
                        return

    def _reply(self, peer: socket.socket, message: str) -> bool:
        """Whether the connection stands afterwards."""
        units = units_of(message)
        is_one = len(units) == 1 or (isinstance(self.fault, Fault) and self.fault.effect in OF_A_MESSAGE)
        pieces = self._pieces(message) if is_one else self._together(units)
        has_sent = False
        for piece in pieces:
            if piece is None:
                peer.shutdown(socket.SHUT_RDWR)
                return False
            if isinstance(piece, float):
                if self._is_over.wait(piece):
                    return False
            elif piece:
                self._send(peer, piece)
                has_sent = True
        if has_sent:
            self._end(peer)
        return True

    def _pieces(self, message: str) -> Pieces:
        if self.fault is not None:
            return self.fault.on(self, message)
        answer = self.answer(message)
        return iter([] if answer is None else [answer])

    def _together(self, units: list[str]) -> Pieces:
        """What is sent for the units of one message: a fault strikes the answer to its unit; one cut short ends all."""
        held = b""
        for unit in units:
            last = b""
            for piece in self._pieces(unit):
                if not isinstance(piece, bytes):
                    if held or last:
                        yield held + last
                        held = last = b""
                    yield piece
                elif piece:
                    if last:
                        yield held + last
                        held = b""
                    last = piece
            if isinstance(self.fault, Fault) and self.fault.effect is frozen:
                return
            if last and not last.endswith(b"\n"):
                yield held + last
                return
            held += last.removesuffix(b"\n") + b";" if last else b""
        if held:
            yield held[:-1] + b"\n"

    def _send(self, peer: socket.socket, piece: bytes) -> None:
        peer.sendall(piece)

    def _end(self, peer: socket.socket) -> None:
        """A raw socket marks no ends."""


@dataclass(frozen=True)
class Strangers:
    """A bench of strangers, and the bench file that points at them."""

    file: Path
    world: World
    by_name: dict[str, Stranger]

    @property
    def outputs_on(self) -> list[str]:
        """By their own record, not by what they say."""
        return [name for name, one in self.by_name.items() if one.device.is_on]


@contextmanager
def strangers(
    folder: Path,
    language: str,
    *,
    faults: Mapping[str, Faulty] | None = None,
    timeouts: str = TIMEOUTS,
    wire: type[Stranger] = Stranger,
) -> Iterator[Strangers]:
    """A supply, a source, a meter and a digitizer while the block lasts."""
    world = World()
    kinds = {"digitizer": Digitizer, "supply": Supply, "source": Source, "meter": Meter}
    made = {
        name: wire(kind(world, f"Stranger,{name},0,1"), language, (faults or {}).get(name))
        for name, kind in kinds.items()
    }
    lines = ["wavewright-bench: 1", 'library: "@py"', "instruments:"]
    for name, one in made.items():
        (folder / f"{name}.yaml").write_text(PROFILES[language][name].replace(TIMEOUTS, timeouts), encoding="utf-8")
        lines.append(f'  {name}: {{resource: "{one.address}", profile: {name}.yaml}}')
    file = folder / "bench.yaml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    try:
        yield Strangers(file, world, made)
    finally:
        for one in made.values():
            one.close()
