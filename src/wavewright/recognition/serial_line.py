"""Which bus a line speaks, found by trying: what decodes without an error, and could not do so by chance, is it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame import Frame
from wavewright.buses.frame_text import show_bytes, show_text
from wavewright.buses.frames import Frames
from wavewright.buses.line.bit_rate import shortest_pulse
from wavewright.buses.line.logic import Line
from wavewright.errors import WavewrightError
from wavewright.recognition.frame_label import frame_label
from wavewright.recognition.recognised import SerialLine
from wavewright.waveform import Waveform

USUAL_BAUDS = (
    300, 600, 1200, 2400, 4800, 9600, 14_400, 19_200, 28_800, 31_250, 38_400, 57_600, 76_800, 115_200, 230_400,
    250_000, 460_800, 500_000, 921_600, 1_000_000, 2_000_000, 3_000_000,
)  # fmt: skip
"""Bd; common practice, no source."""
USUAL_CAN_RATES = (10e3, 20e3, 33.3e3, 50e3, 83.3e3, 100e3, 125e3, 250e3, 500e3, 800e3, 1e6)
"""bit/s; the higher ones after ISO 11898 †, the rest common practice."""
NO_OPTIONS: Mapping[str, Any] = MappingProxyType({})
NEAR = 0.03  # relative distance to a usual rate that is taken for it
BITS = 8  # of a character, where nothing else is said
MOST_TEXT, MOST_EXCHANGE = 80, 3.0  # characters that are told, and up to this many exchanges
SAID = 8  # frames that are told
PAUSE = 4.0  # this many times as long as an exchange so far, a pause ends it
EDGES_OF_FRAMES = frozenset({"cut", "unsynchronised"})  # what the ends of a record do to frames says nothing of the bus
LEAST_CHARACTERS = 3
SEVEN_BITS_FROM = 24  # characters whose eighth bit is always their parity: by chance once in 16 million
LEAST_MANCHESTER_BITS = 16


@dataclass(frozen=True, slots=True)
class Trial:
    """One way of decoding, with what came of it."""

    serial: SerialLine
    decoded: BusRecord
    frames: Frames

    def share_clean(self, *, but: frozenset[str] = EDGES_OF_FRAMES) -> float:
        """Share of the frames with nothing wrong but what the ends of the record do; 0 without frames."""
        inner = [frame for frame in self.frames if not set(frame.errors) & but]
        return sum(not frame.errors for frame in inner) / len(inner) if inner else 0.0

    @property
    def clean(self) -> int:
        """Frames with nothing wrong."""
        return sum(not frame.errors for frame in self.frames)


def find_serial(wave: Waveform) -> SerialLine | None:
    """The bus of a single line; None where none fits. Those that check themselves are tried first."""
    for find in (_can, _lin, _onewire, _start_stop, _manchester):
        trial = find(wave)
        if trial is not None:
            return told(trial)
    return None


def told(trial: Trial) -> SerialLine:
    """What is said, in words, beside how it is decoded; and how long the first exchange of it lasts."""
    first = list(trial.frames[:SAID])
    together = [first[0]]
    for frame in first[1:]:
        if frame.start - together[-1].end > PAUSE * (together[-1].end - together[0].start):
            break
        together.append(frame)
    span = together[-1].end - together[0].start
    if trial.serial.bus == "uart" and not trial.serial.then:
        exchange = [
            frame for frame in trial.frames[:MOST_TEXT] if frame.end <= together[0].start + MOST_EXCHANGE * span
        ]
        said: tuple[str, ...] = (characters(exchange),)
    else:
        said = tuple(map(frame_label, first))
    return replace(trial.serial, frames=len(trial.frames), said=said, span=span)


def characters(frames: Sequence[Frame]) -> str:
    """What characters say: text where most of them are printable, else bytes in hexadecimal."""
    data = [frame.fields["data"] for frame in frames if not frame.errors and frame.fields.get("data", 256) < 256]
    printable = sum(32 <= one < 127 or one in (9, 10, 13) for one in data)
    return show_text(data) if data and printable >= 0.9 * len(data) else show_bytes(data)


def tried(
    channels: Mapping[str, Waveform],
    bus: str,
    options: Mapping[str, Any] = NO_OPTIONS,
    *,
    then: str = "",
    is_inverted: bool = False,
) -> Trial | None:
    """One way of decoding; None where it is refused, or nothing comes of it."""
    try:
        decoded = BusRecord(channels, bus, then=then or None, **options)
        frames = decoded.frames
    except WavewrightError:
        return None
    if not len(frames):
        return None
    return Trial(SerialLine(bus, options, then, is_inverted), decoded, frames)


def inverted(wave: Waveform) -> Waveform:
    """The same line, inverted."""
    return replace(wave, gain=-wave.gain, offset=-wave.offset)


def usual_rate(rate: float, usual: Sequence[float]) -> float:
    """The usual rate near a measured one; the measured one to four digits where none is."""
    nearest = min(usual, key=lambda one: abs(one / rate - 1))
    return float(nearest) if abs(nearest / rate - 1) <= NEAR else float(f"{rate:.4g}")


def line_in(trial: Trial) -> Line | None:
    """The first of the lines that were decoded."""
    return next((line for line in trial.decoded.lines.values() if line is not None), None)


def _both_ways(wave: Waveform) -> Iterator[tuple[Waveform, bool]]:
    yield wave, False
    yield inverted(wave), True


def _can(wave: Waveform) -> Trial | None:
    """A check sum of 15 bits in every frame: it does not hold by chance."""
    for one, is_inverted in _both_ways(wave):
        trial = tried({"line": one}, "can", is_inverted=is_inverted)
        if trial is None or not trial.clean or trial.share_clean() < 0.5:
            continue
        rate = measured_rate(trial, USUAL_CAN_RATES)
        again = tried({"line": one}, "can", {"bit_rate": f"{rate:g} Bd"}, is_inverted=is_inverted) if rate else None
        if again is not None and again.clean >= trial.clean:
            options = {"bit_rate": rate}
            return replace(again, serial=replace(again.serial, options=options))
        return trial
    return None


def _lin(wave: Waveform) -> Trial | None:
    """A break, a synchronisation byte, parity of the identifier and a check sum."""
    trial = tried({"line": wave}, "lin")
    if trial is None or not trial.clean or trial.share_clean() < 0.5:
        return None
    rate = measured_rate(trial, USUAL_BAUDS)
    return replace(trial, serial=replace(trial.serial, options={"baud": rate} if rate else {}))


def _onewire(wave: Waveform) -> Trial | None:
    """A reset, a presence pulse and slots of fixed durations."""
    trial = tried({"line": wave}, "onewire")
    if trial is None or trial.share_clean() < 0.5:
        return None
    return trial if any(frame.fields.get("presence") and frame.fields.get("data") for frame in trial.frames) else None


def _start_stop(wave: Waveform) -> Trial | None:
    """Start-stop characters: the rate, polarity, parity and number of bits with which all of them fit."""
    best: tuple[tuple[float, int], Trial] | None = None
    for is_inverted in (False, True):
        for rate in _rates(wave):
            for place, (parity, bits) in enumerate((("none", 8), ("even", 8), ("odd", 8), ("even", 7), ("odd", 7))):
                options = {"baud": f"{rate:g} Bd", "parity": parity, "data_bits": bits, "inverted": is_inverted}
                trial = tried({"tx": wave}, "uart", options)
                if trial is None or trial.clean < LEAST_CHARACTERS:
                    continue
                score = trial.share_clean(), -place
                if best is None or score > best[0]:
                    plain = _plain(rate, parity, bits, is_inverted)
                    best = score, replace(trial, serial=replace(trial.serial, options=plain))
    if best is None or best[0][0] < 0.9 or not _is_text(best[1]):
        return None
    return _with_layer(_seven_bits(best[1], wave), wave)


def _is_text(trial: Trial) -> bool:
    """Whether the characters say something: a clock that stops and goes on, or one word again and again, says nothing.

    At a rate that nobody uses more is asked for, since any edges fit some rate.
    """
    line = line_in(trial)
    if line is None or is_clocked(line):
        return False
    data = {frame.fields.get("data") for frame in trial.frames if not frame.errors}
    is_usual = any(abs(trial.serial.options["baud"] / rate - 1) < 1e-6 for rate in USUAL_BAUDS)
    return len(data) >= 2 and trial.clean >= LEAST_CHARACTERS if is_usual else len(data) >= 6 and trial.clean >= 24


def is_clocked(line: Line) -> bool:
    """Whether nearly all periods but the pauses are alike: a clock in bursts."""
    periods = np.diff(line.rising)
    if periods.size < 6:
        return False
    middle = float(np.median(periods))
    near = periods[periods < 1.5 * middle]
    return near.size > 0.8 * periods.size and float(np.mean(np.abs(near - middle) < 0.05 * middle)) > 0.9


def _rates(wave: Waveform) -> Iterator[float]:
    """The rates that the edges speak for: of the shortest pulse, and of that taken for two and three bits."""
    trial = tried({"tx": wave}, "uart")
    line = None if trial is None else line_in(trial)
    if line is None or line.times.size < 4:
        return
    bit = shortest_pulse(line.times)
    seen: list[float] = []
    for bits in (1, 2, 3):
        rate = usual_rate(bits / bit, USUAL_BAUDS)
        if rate not in seen:
            seen.append(rate)
            yield rate


def _plain(rate: float, parity: str, bits: int, is_inverted: bool) -> dict[str, Any]:
    found: dict[str, Any] = {"baud": int(rate) if rate == int(rate) else rate, "parity": parity}
    return found | ({"data_bits": bits} if bits != BITS else {}) | ({"inverted": True} if is_inverted else {})


def _seven_bits(trial: Trial, wave: Waveform) -> Trial:
    """The same as seven bits with parity, where the eighth bit of many characters has always been their parity."""
    options = trial.serial.options
    if options["parity"] != "none" or options.get("data_bits", BITS) != BITS or trial.clean < SEVEN_BITS_FROM:
        return trial
    data = np.array([frame.fields["data"] for frame in trial.frames if not frame.errors], dtype=np.uint8)
    ones = np.bitwise_count(data) & 1
    if np.unique(data).size < 4 or not (ones == ones[0]).all():
        return trial
    parity = "odd" if ones[0] else "even"
    rate, is_inverted = float(options["baud"]), bool(options.get("inverted"))
    options = {"baud": f"{rate:g} Bd", "parity": parity, "data_bits": 7, "inverted": is_inverted}
    again = tried({"tx": wave}, "uart", options)
    if again is None:
        return trial
    return replace(again, serial=replace(again.serial, options=_plain(rate, parity, 7, is_inverted)))


def _with_layer(trial: Trial, wave: Waveform) -> Trial:
    """The protocol above the characters, where its own check sums hold."""
    options = {name: f"{value:g} Bd" if name == "baud" else value for name, value in trial.serial.options.items()}
    for layer in ("modbus_rtu", "nmea"):
        above = tried({"tx": wave}, "uart", options, then=layer)
        if above is not None and above.clean and above.share_clean() >= 0.5:
            return replace(above, serial=replace(trial.serial, then=layer))
    return trial


def _manchester(wave: Waveform) -> Trial | None:
    """A change in the middle of every bit."""
    trial = tried({"line": wave}, "manchester")
    if trial is None or trial.share_clean() < 0.9:
        return None
    bits = [_bits(frame) for frame in trial.frames if not frame.errors]
    is_data = any(len(each) >= LEAST_MANCHESTER_BITS and len(set(each)) > 1 for each in bits)
    return trial if is_data else None


def _bits(frame: Frame) -> str:
    return str(frame.fields.get("bits", "")).replace(" ", "")


def measured_rate(trial: Trial, usual: Sequence[float]) -> float | None:
    """The rate of the line: a usual one where that is near."""
    from wavewright.buses.frame_metrics import measure_decoded

    try:
        value = measure_decoded(trial.decoded, "bit_rate").value
    except WavewrightError:
        return None
    return None if value is None else usual_rate(value, usual)
