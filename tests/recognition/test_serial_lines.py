"""Which bus is on a line, or on several: traffic from encoders that share nothing with the decoders."""

from __future__ import annotations

import os

import numpy as np
import pytest

from tests.buses.damaged.senders import SENDERS, character
from tests.buses.damaged.wire import Traffic, Wire
from wavewright.recognition.line_groups import find_groups
from wavewright.recognition.line_kind import LineSeen, recognise
from wavewright.recognition.recognised import Kind
from wavewright.recognition.serial_line import find_serial
from wavewright.waveform import Waveform

IS_FULL = os.environ.get("WAVEWRIGHT_PROOF") == "full"
TRIED, SEEDS = (12, 3) if IS_FULL else (4, 1)


def drawn(traffic: Traffic, seed: int, *, samples: float = 14.0) -> dict[str, Waveform]:
    generator = np.random.default_rng(seed)
    interval, phase = traffic.bit / samples, float(generator.random())
    return {
        name: wire.sampled(0.0, traffic.end, interval=interval, phase=phase, generator=generator)
        for name, wire in traffic.wires.items()
    }


def text(baud: float, bits: int, parity: str, *, inverted: bool = False, count: int = 40, seed: int = 1) -> Waveform:
    """Random characters with a pause now and then."""
    generator, bit = np.random.default_rng(seed), 1 / baud
    tx = Wire()
    tx.hold(1, 20 * bit)
    for value in generator.integers(0, 1 << bits, count).tolist():
        tx.send(character(value, bits, parity, 1), bit)
        tx.hold(1, float(generator.choice([0, 0, 0, 3.3, 17])) * bit)
    tx.hold(1, 20 * bit)
    wave = tx.sampled(0.0, tx.now, interval=bit / 12.3, phase=0.4, generator=generator)
    return Waveform(wave.codes, gain=-wave.gain, offset=3.3, interval=wave.interval) if inverted else wave


@pytest.mark.parametrize("baud", [1200, 9600, 19_200, 57_600, 115_200, 1_000_000])
@pytest.mark.parametrize("parity", ["none", "even", "odd"])
@pytest.mark.parametrize("inverted", [False, True])
def test_rate_parity_and_polarity_of_a_start_stop_line_are_found(baud: int, parity: str, inverted: bool) -> None:
    for seed in range(SEEDS):
        found = find_serial(text(baud, 8, parity, inverted=inverted, seed=seed))
        assert found is not None
        assert found.bus == "uart"
        assert found.options == {"baud": baud, "parity": parity, **({"inverted": True} if inverted else {})}


@pytest.mark.parametrize("parity", ["even", "odd"])
def test_seven_bits_with_parity_are_told_from_eight(parity: str) -> None:
    found = find_serial(text(9600, 7, parity, count=60))
    assert found is not None
    assert found.options == {"baud": 9600, "parity": parity, "data_bits": 7}


@pytest.mark.parametrize(
    "sender, bus, then", [("modbus", "uart", "modbus_rtu"), ("can", "can", ""), ("lin", "lin", "")]
)
def test_a_bus_that_checks_itself_is_found_by_its_checks(sender: str, bus: str, then: str) -> None:
    for seed in range(TRIED):
        traffic = SENDERS[sender](np.random.default_rng(seed))
        (wave,) = drawn(traffic, seed).values()
        found = find_serial(wave)
        assert found is not None, seed
        assert (found.bus, found.then) == (bus, then), seed


@pytest.mark.parametrize("bus", ["i2c", "spi"])
def test_clock_and_data_are_found_whichever_input_has_which(bus: str) -> None:
    right = 0
    for seed in range(TRIED):
        traffic = SENDERS[bus](np.random.default_rng(seed))
        waves = drawn(traffic, seed)
        names = list(waves)
        np.random.default_rng(seed).shuffle(names)
        hidden = {f"input{number}": waves[name] for number, name in enumerate(names, 1)}
        truth = {name: f"input{number}" for number, name in enumerate(names, 1)}
        singles = {name: recognise(LineSeen([wave], [wave])) for name, wave in hidden.items()}
        groups = list(find_groups(hidden, singles))
        clock = "scl" if bus == "i2c" else "clock"
        right += bool(groups and groups[0].serial.bus == bus and groups[0].lines[clock] == truth[clock])
    print(f"{bus}: {TRIED} tried, {right} right")
    assert right >= TRIED - (1 if IS_FULL else 0)


def test_the_two_of_a_differential_pair_are_found() -> None:
    for seed in range(TRIED):
        traffic = SENDERS["can"](np.random.default_rng(seed))
        (line,) = drawn(traffic, seed).values()
        high = Waveform(line.codes, gain=-line.gain / 3.3, offset=3.5, interval=line.interval)
        low = Waveform(line.codes, gain=line.gain / 3.3, offset=1.5, interval=line.interval)
        singles = {name: recognise(LineSeen([wave], [wave])) for name, wave in {"a": low, "b": high}.items()}
        (group,) = find_groups({"a": low, "b": high}, singles)
        assert dict(group.lines) == {"high": "b", "low": "a"}
        assert group.serial.bus == "can"


def test_a_clock_that_stops_and_goes_on_is_no_text() -> None:
    wire = Wire(0)
    for _ in range(20):
        wire.hold(0, 200e-6)
        for _ in range(9):
            wire.hold(1, 5e-6)
            wire.hold(0, 5e-6)
    wire.hold(0, 200e-6)
    wave = wire.sampled(0, wire.now, interval=4e-7, phase=0.1, generator=np.random.default_rng(1))
    assert find_serial(wave) is None
    assert recognise(LineSeen([wave], [wave])).kind is Kind.PULSES


def test_edges_at_random_are_no_bus() -> None:
    for seed in range(TRIED):
        generator, wire = np.random.default_rng(seed), Wire()
        for _ in range(200):
            wire.hold(int(generator.integers(2)), float(generator.exponential(50e-6)) + 2e-6)
        wave = wire.sampled(0, wire.now, interval=1e-6, phase=0.1, generator=generator)
        assert find_serial(wave) is None, seed
