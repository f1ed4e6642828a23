"""What a careful engineer would write for the end-of-line check: sockets, SCPI by hand, NumPy; nothing of the product.

`python end_of_line_by_hand.py --digitizer PORT --source PORT --supply PORT --prompts PORT --out FOLDER [--plain]`

It is as certain of its readings as `recipes/end_of_line.yaml`: every setting is read back once per set-up and again
after its last shot, the event register (with its bit for a restart) is asked after every shot, errors once per set-up,
outputs are off between measurements and at the end, and say so themselves, the supply by its terminals too. The range
and the time base of an unknown signal take one record at the largest range; that there is nothing faster than the
sampling, one more at the fastest rate. Records are kept as files. With `--plain` each query is a message of its own;
without, those that are asked together are one message, as IEEE 488.2 allows. Printed are the readings as JSON.
"""

from __future__ import annotations

import argparse
import json
import math
import socket
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

RANGES = (0.08, 0.2, 0.4, 0.8, 2.0, 4.0, 8.0, 20.0, 40.0)  # V, from the digitizer's data sheet, as are the next two
INTERVALS = tuple(step * 10.0**power for power in range(-9, -2) for step in (1, 2, 4) if step * 10.0**power > 3e-9)
MOST_SAMPLES, FASTEST = 1_000_000, 4e-9
RESTARTED_OR_WRONG = 128 + 32 + 16 + 8 + 4  # of the event register: power on, and the four kinds of errors
CONDUCTS = 0.1  # V: less than this at a supply's terminals is off


class Trouble(Exception):
    """The measurement cannot be trusted, or the instrument not be reached."""


class Instrument:
    """One raw socket. `is_plain`: one query per message."""

    def __init__(self, name: str, port: int, *, is_plain: bool) -> None:
        self.name, self.is_plain = name, is_plain
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._came = bytearray()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self._socket.close()

    def tell(self, *commands: str) -> None:
        self._socket.sendall(";:".join(commands).replace(":*", "*").encode() + b"\n")

    def ask(self, *queries: str) -> list[str]:
        if self.is_plain:
            return [self._ask(query) for query in queries]
        return self._ask(";:".join(queries).replace(":*", "*")).split(";")

    def _ask(self, message: str) -> str:
        self._socket.sendall(message.encode() + b"\n")
        while b"\n" not in self._came:
            self._more()
        line, _, rest = self._came.partition(b"\n")
        self._came = bytearray(rest)
        return line.decode()

    def block(self, query: str) -> bytes:
        """A definite block of IEEE 488.2, 8.7.9."""
        self._socket.sendall(query.encode() + b"\n")
        while len(self._came) < 2 or len(self._came) < 2 + int(self._came[1:2]):
            self._more()
        head = 2 + int(self._came[1:2])
        if self._came[:1] != b"#":
            raise Trouble(f"{self.name}: no block came")
        end = head + int(self._came[2:head])
        content = bytearray(end + 1)
        content[: len(self._came)] = self._came
        view, have = memoryview(content), len(self._came)
        while have <= end:
            have += self._socket.recv_into(view[have:]) or self._lost()
        if content[end : end + 1] != b"\n":
            raise Trouble(f"{self.name}: the block does not end where its head says")
        self._came.clear()
        return bytes(content[head:end])

    def check(self) -> None:
        """No error, and no restart, since the last time."""
        event, error = self.ask("*ESR?", "SYSTem:ERRor?")
        self.check_event(event)
        if not error.startswith("0,"):
            raise Trouble(f"{self.name}: {error}")

    def check_event(self, event: str) -> None:
        if int(event) & RESTARTED_OR_WRONG:
            raise Trouble(f"{self.name}: event register {event}")

    def _more(self) -> None:
        self._came += self._socket.recv(65536) or self._lost()

    def _lost(self) -> bytes:
        raise Trouble(f"{self.name}: the line is closed")


class Setup:
    """Settings, set and read back at once. A range may come out at its next step; what was read counts."""

    def __init__(self, instrument: Instrument, settings: dict[str, str | float]) -> None:
        self.instrument, self.settings = instrument, settings
        instrument.tell(*(f"{header} {value}" for header, value in settings.items()))
        self.answers = self._read()
        for (header, wanted), answer in zip(settings.items(), self.answers, strict=True):
            if isinstance(wanted, str):
                if not wanted.upper().startswith(answer.upper()):
                    raise Trouble(f"{instrument.name}: {header} is {answer}, not {wanted}")
            elif not wanted - max(1e-4, 1e-3 * abs(wanted)) <= float(answer) <= most_of(header, wanted):
                raise Trouble(f"{instrument.name}: {header} is {answer}, not {wanted}")

    def value(self, header: str) -> float:
        return float(self.answers[list(self.settings).index(header)])

    def check(self) -> None:
        """Everything is as it was."""
        if self._read() != self.answers:
            raise Trouble(f"{self.instrument.name}: a setting has changed since it was read back")

    def _read(self) -> list[str]:
        *answers, event, error = self.instrument.ask(*(f"{each}?" for each in self.settings), "*ESR?", "SYSTem:ERRor?")
        self.instrument.check_event(event)
        if not error.startswith("0,"):
            raise Trouble(f"{self.instrument.name}: {error}")
        return answers


def most_of(header: str, wanted: float) -> float:
    """A range comes out at the next step of the data sheet, anything else as it was asked for."""
    if header.endswith("PTPeak"):
        return min(each for each in RANGES if each >= 0.999 * wanted)
    return wanted + max(1e-4, 1e-3 * abs(wanted))


class Bench:
    """The four instruments."""

    def __init__(self, ports: dict[str, int], out: Path, *, is_plain: bool) -> None:
        self.digitizer, self.source, self.supply, self.prompts = (
            Instrument(name, ports[name], is_plain=is_plain) for name in ("digitizer", "source", "supply", "prompts")
        )
        self._out, self._kept = out, 0

    def outputs_off(self) -> None:
        """Off, by what the instruments say, and at the supply's terminals."""
        for each in (self.source, self.supply):
            each.tell("OUTPut:STATe 0")
        if self.source.ask("OUTPut:STATe?") != ["0"]:
            raise Trouble("the source's output may be on: switch it off by hand")
        for _ in range(100):
            state, volts = self.supply.ask("OUTPut:STATe?", "MEASure:VOLTage:DC?")
            if state != "0":
                raise Trouble("the supply's output may be on: switch it off by hand")
            if abs(float(volts)) < CONDUCTS:
                return
        raise Trouble(f"{volts} V at the supply's terminals, though its output is off")

    @contextmanager
    def measurement(self, text: str) -> Iterator[None]:
        """Outputs off, instruments reset, the operator told; afterwards none has an error, or has restarted."""
        self.outputs_off()
        self.source.tell("*RST", "*CLS", "INITiate:CONTinuous ON")
        self.supply.tell("*RST", "*CLS")
        self.prompts.tell(f'DISPlay:TEXT "{text}"')
        for each in (self.source, self.supply, self.prompts):
            each.check()
        yield
        for each in (self.source, self.supply):
            each.check()

    def record(self, setup: Setup, inputs: Sequence[int] = (1,), *, probe: float = 10.0) -> list[np.ndarray]:
        """Arm, wait, fetch, ask whether all was well, keep: volts at the probe's tip."""
        self.digitizer.ask("INITiate;*OPC?")
        return self.fetched(setup, inputs, probe=probe)

    def fetched(self, setup: Setup, inputs: Sequence[int], *, probe: float) -> list[np.ndarray]:
        found = []
        for number in inputs:
            codes = np.frombuffer(self.digitizer.block(f'SENSe:DATA? "XTIMe:VOLTage {number}"'), dtype=np.int8)
            if codes.size != setup.value("SENSe:SWEep:POINts"):
                raise Trouble(f"{codes.size} samples came")
            np.save(self._out / f"{self._kept:03}.npy", codes)
            self._kept += 1
            scale = setup.value(f"SENSe{number}:VOLTage:RANGe:PTPeak") / 256
            found.append(probe * (setup.value(f"SENSe{number}:VOLTage:RANGe:OFFSet") + scale * codes))
        self.digitizer.check_event(*self.digitizer.ask("*ESR?"))
        return found

    def look_at_the_fastest_rate(self, settings: dict[str, str | float], *, probe: float = 10.0) -> np.ndarray:
        """200 us at 4 ns: what the set-up's own rate would fold down shows here."""
        fast = {"SENSe:SWEep:TINTerval": FASTEST, "SENSe:SWEep:POINts": 50_000, "TRIGger:SOURce": "IMMediate"}
        setup = Setup(self.digitizer, settings | fast)
        return self.record(setup, probe=probe)[0]


def vertical(number: int, size: float, offset: float, *, coupling: str = "DC") -> dict[str, str | float]:
    """An input, in volts at the connector."""
    return {
        f"INPut{number}:COUPling": coupling,
        f"INPut{number}:FILTer:LPASs:STATe": 0,
        f"SENSe{number}:VOLTage:RANGe:PTPeak": size,
        f"SENSe{number}:VOLTage:RANGe:OFFSet": offset,
    }


def sweep(span: float, interval: float, *, before: float = 0.0) -> dict[str, str | float]:
    step = max((each for each in INTERVALS if each <= 1.001 * interval), default=FASTEST)
    points = round(span / step)
    return {
        "SENSe:SWEep:TINTerval": step,
        "SENSe:SWEep:POINts": points,
        "SENSe:SWEep:OREFerence:LOCation": before / span,
        "SENSe:SWEep:OFFSet:TIME": 0.0,
    }


def trigger(source: str, level: float, slope: str, *, automatic: bool) -> dict[str, str | float]:
    return {
        "TRIGger:SOURce": source,
        "TRIGger:LEVel": level,
        "TRIGger:SLOPe": slope,
        "TRIGger:ATRigger:STATe": int(automatic),
    }


def rail_noise(bench: Bench) -> dict[str, float]:
    channel = vertical(1, 0.1, 0.0, coupling="AC") | {
        "INPut1:FILTer:LPASs:FREQuency": 20e6,
        "INPut1:FILTer:LPASs:STATe": 1,
    }
    settings = channel | sweep(2e-3, 40e-9) | trigger("INT1", 0.0, "POSitive", automatic=True)
    bench.digitizer.tell('SENSe:FUNCtion "XTIMe:VOLTage 1"')
    ripples, tones = [], []
    setup = Setup(bench.digitizer, settings)
    bench.digitizer.ask("INITiate;*OPC?")  # not fetched: the AC coupling settles meanwhile
    for _ in range(16):
        (volts,) = bench.record(setup, probe=1.0)
        ripples.append(np.ptp(volts))
        tones.append(strongest_tone(volts, setup.value("SENSe:SWEep:TINTerval")))
    setup.check()
    fast = bench.look_at_the_fastest_rate(settings, probe=1.0)
    if abs(strongest_tone(fast, FASTEST) - tones[0]) > 2 / (fast.size * FASTEST):
        raise Trouble("the ripple has a faster part than the sampling shows")
    return {"ripple": max(ripples), "ripple_tone": tones[0]}


def reset_hold(bench: Bench) -> dict[str, float]:
    bench.digitizer.tell("SENSe:FUNCtion:CONCurrent ON", 'SENSe:FUNCtion "XTIMe:VOLTage 1","XTIMe:VOLTage 2"')
    setup = Setup(
        bench.digitizer,
        vertical(1, 0.8, 0.2)
        | vertical(2, 0.8, 0.2)
        | sweep(8e-3, 100e-9, before=1e-3)
        | trigger("INT2", 0.165, "NEGative", automatic=False),
    )
    lows = []
    for _ in range(5):
        bench.supply.tell("OUTPut:STATe 0")
        if bench.supply.ask("OUTPut:STATe?") != ["0"]:
            raise Trouble("the supply's output does not go off")
        time.sleep(0.2)
        bench.supply.check()
        bench.digitizer.tell("INITiate")
        feed = Setup(bench.supply, {"SOURce:VOLTage:LEVel": 24.0, "SOURce:CURRent:LEVel": 1.0})
        if (feed.value("SOURce:VOLTage:LEVel"), feed.value("SOURce:CURRent:LEVel")) != (24.0, 1.0):
            raise Trouble("the supply is set otherwise")
        bench.supply.tell("OUTPut:STATe 1")
        if bench.supply.ask("OUTPut:STATe?") != ["1"]:
            raise Trouble("the supply's output does not go on")
        bench.digitizer.ask("*OPC?")
        _, reset = bench.fetched(setup, (1, 2), probe=10.0)
        fall = crossings(reset, 0.99, rising=False)[0]
        rises = crossings(reset, 2.31, rising=True)
        lows.append((rises[rises > fall][0] - fall) * setup.value("SENSe:SWEep:TINTerval"))
    setup.check()
    bench.digitizer.tell('SENSe:FUNCtion:OFF "XTIMe:VOLTage 2"')
    return {"reset_low": max(lows)}


def coil_drive(bench: Bench, duty: int) -> dict[str, float]:
    shape = Setup(
        bench.source, {"SOURce:FUNCtion:SHAPe": "PULSe", "SOURce:FREQuency": 1250.0, "SOURce:PULSe:DCYCle": float(duty)}
    )
    bench.source.tell("OUTPut:STATe 1")
    if bench.source.ask("OUTPut:STATe?") != ["1"]:
        raise Trouble("the source's output does not go on")
    # the largest range, 100 ms: nothing is known yet
    any_time = trigger("IMMediate", 0.0, "POSitive", automatic=True)
    look = Setup(bench.digitizer, vertical(1, 40.0, 0.0) | sweep(100e-3, 1e-6) | any_time)
    (volts,) = bench.record(look)
    low, high = volts.min() / 10, volts.max() / 10
    size = next(each for each in RANGES if 0.8 * each >= high - low)
    level = (low + high) / 2
    period = float(np.mean(np.diff(crossings(volts, 10 * level, rising=True)))) * 1e-6
    channel = vertical(1, size, level)
    span = 21.25 * period
    time_base = sweep(span, span / MOST_SAMPLES if span / MOST_SAMPLES > FASTEST else FASTEST)
    if time_base["SENSe:SWEep:POINts"] > MOST_SAMPLES:
        time_base = sweep(span, 2.1 * span / MOST_SAMPLES)
    settings = channel | time_base | trigger("INT1", level, "POSitive", automatic=True)
    fast = bench.look_at_the_fastest_rate(settings)
    if crossings(fast, 10 * level, rising=True).size > 1 + fast.size * FASTEST / period:
        raise Trouble("the drive has a faster part than the first look shows")
    setup = Setup(bench.digitizer, settings)
    (volts,) = bench.record(setup)
    setup.check()
    shape.check()
    if not 10 * (level - size / 2) < volts.min() < volts.max() < 10 * (level + 0.49 * size):
        raise Trouble("the record is clipped")
    bottom, top = state_levels(volts)
    ups, downs = (crossings(volts, (bottom + top) / 2, rising=rising) for rising in (True, False))
    if abs(np.mean(np.diff(ups)) * setup.value("SENSe:SWEep:TINTerval") / period - 1) > 0.01:
        raise Trouble("the period is not that of the first look")
    falls = downs[np.searchsorted(downs, ups[:-1])]
    return {
        f"duty_factor {duty}": float(np.mean((falls - ups[:-1]) / np.diff(ups))),
        f"overshoot {duty}": float(volts.max() - top) / (top - bottom),
    }


def enable_line(bench: Bench, span: float) -> dict[str, float]:
    settings = vertical(1, 0.8, 0.2) | sweep(span, 40e-9) | trigger("INT1", 0.165, "POSitive", automatic=True)
    fast = bench.look_at_the_fastest_rate(settings)
    setup = Setup(bench.digitizer, settings)
    frequencies, shortest = [], math.inf
    for _ in range(3):
        (volts,) = bench.record(setup)
        ups, downs = (crossings(volts, 1.65, rising=rising) for rising in (True, False))
        frequencies.append(1 / (float(np.mean(np.diff(ups))) * setup.value("SENSe:SWEep:TINTerval")))
        downs = downs[downs < ups[-1]]
        lows = ups[np.searchsorted(ups, downs)] - downs
        shortest = min(shortest, float(lows.min()) * setup.value("SENSe:SWEep:TINTerval"))
    setup.check()
    if crossings(fast, 1.65, rising=True).size > 1 + fast.size * FASTEST * frequencies[0]:
        raise Trouble("the line has a faster part than the sampling shows")
    return {"frequency": frequencies[0], "shortest_low": shortest}


def telegram(bench: Bench) -> dict[str, float]:
    setup = Setup(
        bench.digitizer,
        vertical(1, 0.8, 0.2) | sweep(40e-3, 400e-9, before=2e-3) | trigger("INT1", 0.165, "NEGative", automatic=False),
    )
    for _ in range(20):
        (volts,) = bench.record(setup)
        characters, errors = uart(volts > 1.65, 1 / (19200 * setup.value("SENSe:SWEep:TINTerval")))
        if b"\x11\x03" in characters:
            setup.check()
            return {"telegram_errors": float(errors)}
    raise Trouble("none of 20 shots holds 11 03")


def strongest_tone(volts: np.ndarray, interval: float) -> float:
    """The highest line, interpolated by a parabola through the logarithms of three."""
    lines = np.abs(np.fft.rfft((volts - volts.mean()) * np.hanning(volts.size)))
    top = 1 + int(lines[1:-1].argmax())
    left, middle, right = np.log(lines[top - 1 : top + 2])
    return float(top + (left - right) / (2 * (left - 2 * middle + right))) / (volts.size * interval)


def crossings(volts: np.ndarray, level: float, *, rising: bool) -> np.ndarray:
    """Where a level is crossed, in samples, with a hysteresis of a tenth of what the record spans."""
    band = 0.05 * float(np.ptp(volts))
    state = np.zeros(volts.size, dtype=np.int8)
    state[volts > level + band] = 1
    state[volts < level - band] = -1
    known = np.flatnonzero(state)
    turns = np.flatnonzero(np.diff(state[known]) * (1 if rising else -1) > 0)
    before, after = known[turns], known[turns + 1]
    return before + (level - volts[before]) / (volts[after] - volts[before]) * (after - before)


def state_levels(volts: np.ndarray) -> tuple[float, float]:
    """The most frequent level of each half."""
    counts, edges = np.histogram(volts, 256)
    centres = (edges[:-1] + edges[1:]) / 2
    return float(centres[counts[:128].argmax()]), float(centres[128 + counts[128:].argmax()])


def uart(line: np.ndarray, samples_per_bit: float) -> tuple[bytes, int]:
    """Characters of 8 bits with even parity, and how many are wrong."""
    characters, errors, at = bytearray(), 0, 0.0
    falls = np.flatnonzero(line[:-1] & ~line[1:]) + 1
    for fall in falls:
        if fall < at or fall + 11 * samples_per_bit > line.size:
            continue
        bits = line[(fall + (np.arange(11) + 0.5) * samples_per_bit).astype(int)]
        errors += int(bits[0] or not bits[10] or bits[1:10].sum() % 2)
        characters.append(int(bits[1:9] @ (1 << np.arange(8))))
        at = float(fall + 10.4 * samples_per_bit)
    return bytes(characters), errors


def main() -> None:
    parser = argparse.ArgumentParser()
    for name in ("digitizer", "source", "supply", "prompts"):
        parser.add_argument(f"--{name}", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--span", type=float, default=0.3, help="of a record of the enable line, s")
    given = parser.parse_args()
    bench = Bench(vars(given), given.out, is_plain=given.plain)
    readings: dict[str, float] = {}
    with bench.digitizer, bench.source, bench.supply, bench.prompts:
        for each in (bench.digitizer, bench.source, bench.supply, bench.prompts):
            each.ask("*IDN?")
        bench.prompts.tell("*CLS")  # which forgets that it was switched on
        try:
            bench.digitizer.tell(
                "*RST", "*CLS", "INITiate:CONTinuous OFF", "FORMat:BORDer NORMal", "FORMat:DATA INTeger,8"
            )
            with bench.measurement("Probe 1 on TP3 with the short ground spring. Input 1: rail, probe 1x."):
                readings |= rail_noise(bench)
            with bench.measurement("Probe 1 on TP3, probe 2 on TP9."):
                readings |= reset_hold(bench)
            for duty in (10, 40, 90):
                with bench.measurement("Probe 1 on TP4."):
                    readings |= coil_drive(bench, duty)
            with bench.measurement("Probe 1 on TP7."):
                readings |= enable_line(bench, given.span)
            with bench.measurement("Probe 1 on TP10."):
                readings |= telegram(bench)
        finally:
            bench.outputs_off()
    print(json.dumps(readings))


if __name__ == "__main__":
    main()
