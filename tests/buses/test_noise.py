"""What noise seems to hold is marked: 2 million samples of it for each bus, 10 million with WAVEWRIGHT_PROOF=full."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from wavewright.buses.decode import decode
from wavewright.waveform import Waveform

COUNT = 10_000_000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 2_000_000
OF_LAYERS = 1_000_000
CASES: list[tuple[str, tuple[str, ...], Mapping[str, object]]] = [
    ("uart", ("tx",), {"baud": 100e3}),
    ("uart", ("tx",), {"baud": 100e3, "parity": "even"}),
    ("uart", ("tx",), {"baud": 100e3, "then": "modbus_rtu"}),
    ("i2c", ("scl", "sda"), {}),
    ("spi", ("clock", "mosi", "miso", "select"), {}),
    ("can", ("line",), {"bit_rate": 100e3}),
    ("lin", ("line",), {"baud": 100e3}),
    ("onewire", ("line",), {}),
    ("parallel", ("clock", "d0", "d1"), {}),
]
LAYERS: list[tuple[str, tuple[str, ...], Mapping[str, object]]] = [
    ("i2c", ("scl", "sda"), {"then": "smbus"}),
    ("i2c", ("scl", "sda"), {"then": "smbus", "pec": True}),
    ("i2c", ("scl", "sda"), {"then": "i2c_memory"}),
    ("uart", ("tx",), {"baud": 100e3, "then": "nmea"}),
]
UNGUARDED: list[tuple[str, tuple[str, ...], Mapping[str, object]]] = [
    ("spi", ("clock", "mosi"), {}),
    ("i2s", ("clock", "word_select", "data"), {}),
    ("manchester", ("line",), {}),
]


@cache
def noise(number: int) -> Waveform:
    """White normal noise, 10 samples per bit at 100 kbit/s, about the middle between the thresholds."""
    codes = np.random.default_rng(number).normal(0, 40, COUNT).astype(np.float32)
    return Waveform(np.clip(codes, -128, 127).astype(np.int8), gain=0.01, offset=1.4, interval=1e-6)


def of_noise(bus: str, names: tuple[str, ...], options: Mapping[str, object], *, count: int = COUNT) -> tuple[int, int]:
    waves = {name: replace(noise(number), codes=noise(number).codes[:count]) for number, name in enumerate(names)}
    frames = decode(waves, bus, levels=(1.2, 1.6), **options)
    return len(frames), int(np.count_nonzero(~frames.has_errors))


@pytest.mark.slow
@pytest.mark.parametrize("bus, names, options", CASES, ids=["-".join([c[0], *map(str, c[2].values())]) for c in CASES])
def test_every_frame_that_noise_seems_to_hold_is_marked(
    bus: str, names: tuple[str, ...], options: Mapping[str, object]
) -> None:
    assert of_noise(bus, names, options)[1] == 0


@pytest.mark.slow
@pytest.mark.parametrize("bus, names, options", LAYERS, ids=["-".join(map(str, c[2].values())) for c in LAYERS])
def test_a_layer_hands_on_that_what_noise_seems_to_hold_is_wrong(
    bus: str, names: tuple[str, ...], options: Mapping[str, object]
) -> None:
    found, clean = of_noise(bus, names, options, count=OF_LAYERS)
    assert clean == 0
    assert found > 100 or options["then"] == "nmea"


@pytest.mark.slow
@pytest.mark.parametrize("bus, names, options", UNGUARDED, ids=[case[0] for case in UNGUARDED])
def test_where_nothing_guards_a_word_hardly_any_is_left_unmarked(
    bus: str, names: tuple[str, ...], options: Mapping[str, object]
) -> None:
    # no select, parity or check: only the evenness of the clock tells noise from words
    found, clean = of_noise(bus, names, options)
    assert clean < 1e-3 * found
