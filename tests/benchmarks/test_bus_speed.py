"""How fast the bus decoders are: samples per second, and how many times as fast as decoders that look at each sample.

Run with `python -m tests.benchmarks.test_bus_speed`; the numbers are ratios within one run, so that they say the same
on any machine. Samples are counted over all channels that a decoder has to read, and also once for all channels of an
instant; time is the processor's, the median of several rounds in which both decoders take turns.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from tests.benchmarks import sample_by_sample
from wavewright.buses.can import flexible_rate
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.simulation.encoders.can import CanMessage, can_line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines
from wavewright.simulation.encoders.spi import spi_lines
from wavewright.simulation.encoders.uart import uart_line
from wavewright.waveform import Waveform

SAMPLES = 10  # a bit
ROUNDS = 5
LOW, HIGH = 0.8, 2.0
LEVELS = (LOW, HIGH)


@dataclass(frozen=True, slots=True)
class Load:
    """A fully loaded bus: its waveforms, how it is decoded here and there, and what both must agree on."""

    name: str
    waves: Mapping[str, Waveform]
    options: Mapping[str, Any]
    slow: Callable[..., list[Any]]
    said: Callable[[Frames], list[Any]]
    wanted: float  # million samples per second

    def repeated(self, times: int) -> Load:
        """The same traffic several times over."""
        waves = {name: replace(wave, codes=np.tile(wave.codes, times)) for name, wave in self.waves.items()}
        return replace(self, waves=waves)

    @property
    def size(self) -> int:
        """Samples in all channels."""
        return sum(len(wave) for wave in self.waves.values())

    def decode(self) -> Frames:
        """What is measured: from waveforms to frames."""
        return decode(self.waves, self.name, levels=LEVELS, **self.options)


@cache
def loads() -> tuple[Load, ...]:
    """The four buses of the promise, each about 0.3 million samples a channel."""
    return _uart(), _i2c(), _spi(), _can()


def _uart() -> Load:
    data = np.random.default_rng(1).integers(0, 256, 3000).tolist()
    tx = draw(uart_line(data, baud=1e6, lead=12e-6, tail=2e-6), rate=SAMPLES * 1e6, rise_time=0.15e-6)
    return Load(
        "uart",
        {"tx": tx},
        {"baud": 1e6},
        lambda waves, listed=False: sample_by_sample.uart(
            waves["tx"], samples_per_bit=SAMPLES, low=LOW, high=HIGH, listed=listed
        ),
        lambda frames: [frame["data"] for frame in frames],
        50.0,
    )


def _i2c() -> Load:
    generator = np.random.default_rng(2)
    sent = [Transfer(bytes([0x90, *generator.integers(0, 256, 31).tolist()])) for _ in range(100)]
    scl, sda = i2c_lines(sent, bit_rate=1e5, idle=1e-5, lead=1e-5)
    waves = {name: draw(line, rate=SAMPLES * 1e5, rise_time=0.5e-6) for name, line in (("scl", scl), ("sda", sda))}
    return Load(
        "i2c",
        waves,
        {},
        lambda waves, listed=False: sample_by_sample.i2c(waves["scl"], waves["sda"], low=LOW, high=HIGH, listed=listed),
        lambda frames: [bytes([frame["address"] << 1 | frame["read"]]) + frame["data"] for frame in frames],
        50.0,
    )


def _spi() -> Load:
    words = np.random.default_rng(3).integers(0, 256, (100, 32)).tolist()
    lines = spi_lines([[(word, 0) for word in selection] for selection in words], pause=1e-6)
    waves = {
        name: draw(getattr(lines, name), rate=SAMPLES * 1e6, rise_time=0.05e-6) for name in ("clock", "mosi", "select")
    }
    return Load(
        "spi",
        waves,
        {},
        lambda waves, listed=False: sample_by_sample.spi(**waves, low=LOW, high=HIGH, listed=listed),
        lambda frames: [frame["mosi"] for frame in frames],
        50.0,
    )


def _can() -> Load:
    generator = np.random.default_rng(4)
    sent = [
        CanMessage(int(number), bytes(generator.integers(0, 256, 8).tolist()))
        for number in generator.integers(0, 2000, 250)
    ]
    line = draw(can_line(sent, bit_rate=1e6, tail_bits=0), rate=SAMPLES * 1e6, rise_time=0.1e-6)
    return Load(
        "can",
        {"line": line},
        {"bit_rate": 1e6},
        lambda waves, listed=False: sample_by_sample.can(
            waves["line"], samples_per_bit=SAMPLES, low=LOW, high=HIGH, listed=listed
        ),
        lambda frames: [(frame["identifier"], frame["data"]) for frame in frames],
        20.0,
    )


@cache
def flexible() -> tuple[Waveform, int]:
    """A bus full of CAN FD frames of 8 to 64 bytes, 500 kbit/s and 2 Mbit/s, and how many there are.

    There are `SAMPLES` in a bit of the data phase, four times as many in one of the arbitration phase.
    """
    generator = np.random.default_rng(5)
    sent = [
        CanMessage(int(number), generator.bytes(int(size)), flexible=True, fast=True)
        for number, size in zip(generator.integers(0, 2000, 200), generator.choice([8, 16, 32, 64], 200), strict=True)
    ]
    line = can_line(sent, bit_rate=5e5, data_bit_rate=2e6, tail_bits=0)
    return draw(line, rate=SAMPLES * 2e6, rise_time=0.05e-6), len(sent)


def decode_flexible(wave: Waveform) -> Frames:
    """From a waveform to frames."""
    return decode({"line": wave}, "can", levels=LEVELS, bit_rate=5e5, data_bit_rate=2e6)


def _flexible_speed() -> list[tuple[str, float, str]]:
    """Million samples of CAN FD per second, the share of it that finds edges, and how much faster than bit by bit."""
    short, count = flexible()
    wave = replace(short, codes=np.tile(short.codes, 20_000_000 // len(short)))

    def bit_by_bit() -> None:
        with patch.object(flexible_rate, "read_undisturbed", lambda *_, **__: ()):
            decode_flexible(short)

    whole, edges, slow = _in_turn(
        lambda: decode_flexible(wave), lambda: line_of(wave, LogicLevels.read(LEVELS)).times, bit_by_bit
    )
    speed = 1e-6 * len(wave) / whole.middle
    told = (
        f"{SAMPLES} samples per data bit, {4 * SAMPLES} per arbitration bit, {len(short) // count} per frame; finding "
        f"edges takes {edges.middle / whole.middle:.0%} of it; "
        f"{speed * 1e6 * slow.middle / len(short):.0f} times as fast as bit by bit"
    )
    return [("CAN FD, million samples per second", speed, told)]


def measure_ratios() -> list[tuple[str, float, str]]:
    """For each bus: how many times as fast as the sample-by-sample decoder, with the speed of both; and linearity."""
    found = [*(_compared(load) for load in loads()), *_flexible_speed()]
    uart = loads()[0]
    small, large = uart.repeated(10_000_000 // uart.size), uart.repeated(100_000_000 // uart.size)
    short, long = _in_turn(small.decode, large.decode)
    growth = (long.middle / large.size) / (short.middle / small.size)
    found.append(("uart 100 M over 10 M samples", growth, "time a sample; 1 is linear"))
    frames = small.decode()
    decoded, made, listed = _in_turn(small.decode, lambda: list(small.decode()), lambda: list(frames))
    told = f"times as long as decoding; {1e-6 * len(frames) / listed.middle:.2f} million frames/s made into objects"
    found.append(("uart, every frame looked at", made.middle / decoded.middle, told))
    return found


def _compared(load: Load) -> tuple[str, float, str]:
    large = load.repeated(max(1, 20_000_000 // load.size))
    fast, slow, listed = _in_turn(
        large.decode, lambda: load.slow(load.waves), lambda: load.slow(load.waves, listed=True)
    )
    scale = large.size / load.size
    samples = 1e-6 * large.size / fast.middle
    told = (
        f"{samples:.0f} million samples/s over all channels ({samples / len(load.waves):.0f} instants), "
        f"{load.wanted:g} are promised; against {1e-6 * load.size / slow.middle:.2f}; "
        f"best over best {slow.best / fast.best * scale:.1f}; "
        f"{listed.middle / fast.middle * scale:.0f} times as fast as a loop over a list"
    )
    return f"decode {load.name}", slow.middle / fast.middle * scale, told


@dataclass(frozen=True, slots=True)
class Times:
    """How long several rounds of the same took, s."""

    rounds: tuple[float, ...]

    @property
    def middle(self) -> float:
        return statistics.median(self.rounds)

    @property
    def best(self) -> float:
        return min(self.rounds)


def _in_turn(*runs: Callable[[], object]) -> list[Times]:
    """Processor time of each, one after the other in every round, so that a busy moment meets them all."""
    rounds: list[list[float]] = []
    for _ in range(ROUNDS):
        rounds.append([])
        for run in runs:
            begin = time.process_time()
            run()
            rounds[-1].append(time.process_time() - begin)
    return [Times(each) for each in zip(*rounds, strict=True)]


@pytest.mark.parametrize("load", loads(), ids=lambda load: load.name)
def test_both_decoders_say_the_same(load: Load) -> None:
    frames = load.decode()
    assert not frames.has_errors.any()
    assert len(frames) > 90
    assert load.said(frames) == load.slow(load.waves) == load.slow(load.waves, listed=True)


def test_a_bus_full_of_can_fd_is_read_without_error() -> None:
    wave, count = flexible()
    frames = decode_flexible(wave)
    assert len(frames) == count
    assert not frames.has_errors.any()


@pytest.mark.parametrize("load", loads(), ids=lambda load: load.name)
def test_decoding(load: Load, benchmark: Any) -> None:
    frames = benchmark(load.decode)
    assert len(frames) > 90


if __name__ == "__main__":
    for name, ratio, about in measure_ratios():
        print(f"{name:32} {ratio:8.1f}  {about}")
