from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.buses.catalogue import buses, layers
from wavewright.buses.decode import decode
from wavewright.waveform import Waveform

CHANNELS = {
    "uart": ("tx",),
    "i2c": ("scl", "sda"),
    "spi": ("clock", "mosi", "miso", "select"),
    "can": ("line",),
    "lin": ("line",),
    "onewire": ("line",),
    "i2s": ("clock", "word_select", "data"),
    "parallel": ("clock", "d0"),
    "manchester": ("line",),
}
RATES = {"uart": "baud", "lin": "baud", "can": "bit_rate", "manchester": "bit_rate"}
ODD = {
    "nothing": [],
    "one sample": [5.0],
    "two samples": [0.0, 100.0],
    "invalid samples": [np.nan] * 10,
    "square wave": [0.0, 100.0] * 20,
    "one rise": [0.0] * 30 + [100.0] * 30,
    "one fall": [100.0] * 30 + [0.0] * 30,
    "one pulse": [0.0] * 30 + [100.0] * 30 + [0.0] * 30,
}


def decode_all(bus: str, rows: list[list[float]]) -> None:
    waves = {
        name: Waveform(np.array(rows[k % len(rows)], dtype=np.float64), interval=1e-6)
        for k, name in enumerate(CHANNELS[bus])
    }
    for levels in ("auto", (30.0, 70.0)):
        for options in [{}, {RATES[bus]: 1e5}] if bus in RATES else [{}]:
            frames = decode(waves, bus, levels=levels, **options)
            for frame in frames:
                assert frame.end >= frame.start
            for layer in layers().values():
                if bus in layer.on:
                    repr(list(decode(waves, bus, levels=levels, then=layer.name, **options)))


def test_every_bus_is_tried() -> None:
    assert set(CHANNELS) >= {
        name for name, entry in buses().items() if entry.decode.__module__.startswith("wavewright.")
    }


@pytest.mark.parametrize("bus", CHANNELS)
@pytest.mark.parametrize("shape", ODD)
def test_an_odd_record_breaks_nothing(bus: str, shape: str) -> None:
    decode_all(bus, [ODD[shape]])
    decode_all(bus, [ODD[shape], ODD[shape][::-1]])


@pytest.mark.parametrize("bus", CHANNELS)
@settings(max_examples=15)
@given(
    runs=st.lists(st.lists(st.integers(1, 30), min_size=1, max_size=30), min_size=1, max_size=4), first=st.booleans()
)
def test_no_pattern_of_edges_breaks_anything(bus: str, runs: list[list[int]], first: bool) -> None:
    rows = [np.repeat((np.arange(len(run)) + first) % 2 * 100.0, run).tolist() for run in runs]
    decode_all(bus, rows)
