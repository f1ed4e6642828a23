"""Clocked buses are read from packed samples where these are enough: it must be what the instants of change alone say.

A line that carries nothing but its instants leaves a decoder no other way than to look at each; so both are compared,
to the last bit, for random traffic that noise, spikes, gaps and lost samples have damaged: 200 records of each bus,
3,000 with WAVEWRIGHT_PROOF=full.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.i2c import Transfer, i2c_lines
from wavewright.simulation.encoders.spi import spi_lines
from wavewright.waveform import Waveform

RECORDS = 3000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 200
SWING = 3.3  # V


def i2c_traffic(random: np.random.Generator) -> tuple[dict[str, Line], dict[str, Any]]:
    """Lines of some transfers with a clock of 1 Hz, and options."""
    transfers = [
        Transfer(
            random.bytes(int(random.integers(1, 10))),
            stop=bool(random.random() < 0.7),
            bits=int(random.integers(1, 20)) if random.random() < 0.1 else None,
        )
        for _ in range(int(random.integers(1, 8)))
    ]
    scl, sda = i2c_lines(
        transfers,
        bit_rate=1.0,
        high_share=float(random.choice([0.3, 0.45, 0.5])),
        hold=float(random.choice([0.0, 0.1, 0.25])),
        idle=float(random.choice([0.3, 1.0, 5.0])),
        lead=float(random.choice([0.0, 1.0, 20.0])),
    )
    return {"scl": scl, "sda": sda}, {"longest_low": 3.0}


def spi_traffic(random: np.random.Generator) -> tuple[dict[str, Line], dict[str, Any]]:
    """Lines of some words with a clock of 1 Hz, and options."""
    words = [
        [(int(mosi), int(miso)) for mosi, miso in random.integers(0, 256, (int(random.integers(1, 7)), 2))]
        for _ in range(int(random.integers(1, 6)))
    ]
    mode = int(random.integers(0, 4))
    lines = spi_lines(words, bit_rate=1.0, mode=mode, pause=float(random.choice([0.1, 1.0, 5.0])))
    names = ["clock", "mosi", *(name for name in ("miso", "select") if random.random() < 0.6)]
    return {name: getattr(lines, name) for name in names}, {"mode": mode}


def damaged(volts: npt.NDArray[np.float64], samples: int, random: np.random.Generator) -> npt.NDArray[np.float64]:
    """The same with what goes wrong on a line, or in a record of it."""
    volts, kind = volts.copy(), int(random.integers(0, 6))
    if kind in (1, 5):
        volts += random.normal(0, float(random.choice([0.05, 0.3, 0.8])), volts.size)
    for _ in range(int(random.integers(1, 8)) if kind in (2, 5) else 0):  # spikes
        first = int(random.integers(0, volts.size))
        volts[first : first + int(random.integers(1, samples + 2))] *= -1
        volts[volts < 0] += SWING
    for _ in range(int(random.integers(1, 4)) if kind == 3 else 0):  # it hangs, low, high or between
        first = int(random.integers(0, volts.size))
        volts[first : first + int(random.integers(1, 20 * samples))] = random.choice([0.0, 1.4, SWING])
    if kind == 4:  # samples lost
        first = int(random.integers(0, volts.size))
        volts = np.delete(volts, slice(first, first + int(random.integers(1, 2 * samples))))
    return volts


def record(lines: Mapping[str, Line], random: np.random.Generator) -> dict[str, Waveform]:
    """What a digitizer has of the lines: its rate, codes and time axis vary, and so does what part of it is there."""
    samples = float(random.choice([4.0, 5.0, 7.3, 10.0, 20.0, 33.0]))
    rise = float(random.choice([0.01, 0.05, 0.2]))
    drawn = {name: draw(line, rate=samples, rise_time=rise).values() for name, line in lines.items()}
    if random.random() < 0.8:
        drawn = {name: damaged(volts, int(samples), random) for name, volts in drawn.items()}
    size = min(volts.size for volts in drawn.values())
    part = slice(int(random.integers(0, size // 3)) if random.random() < 0.5 else 0, size)
    start, is_real = float(random.choice([0.0, -50.0, 1e9, 1e14])), random.random() < 0.3
    gain = float(random.choice([0.03, -0.03]))
    waves = {}
    for name, volts in drawn.items():
        codes: npt.NDArray[Any] = volts[part] if is_real else np.clip(np.rint((volts[part] - 1.6) / gain), -128, 127)
        scale = {"gain": 1.0, "offset": 0.0} if is_real else {"gain": gain, "offset": 1.6}
        kept = codes.astype(np.float32 if is_real else np.int8)
        waves[name] = Waveform(kept, interval=1 / samples, start=start, name=name, **scale)
    return waves


def of_instants(line: Line | None) -> Line | None:
    """The same line without the states after its samples."""
    return None if line is None else replace(line, instants=line.times, states=None)


def told(frames: Frames) -> tuple[Any, ...]:
    """All that frames say; comparing it compares each bit."""
    return (
        frames.starts.tobytes(),
        frames.ends.tobytes(),
        {name: column.to_list() for name, column in frames.columns.items()},
        {word: where.tolist() for word, where in frames.errors_by_word.items()},
        dict(frames.facts),
    )


@pytest.mark.parametrize("bus, traffic", [("i2c", i2c_traffic), ("spi", spi_traffic)], ids=["i2c", "spi"])
def test_samples_say_what_the_instants_alone_say(bus: str, traffic: Any) -> None:
    whole = 0
    for seed in range(RECORDS):
        random = np.random.default_rng(seed)
        lines, options = traffic(random)
        levels = (0.8, 2.0) if random.random() < 0.8 else (1.5, 1.5)
        found = BusRecord(record(lines, random), bus, levels=levels, **options)
        bare = found.bus.decode(*(of_instants(line) for line in found.lines.values()), **found.setup.of_bus)
        assert told(found.frames) == told(bare), seed
        whole += len(bare) > 0 and not bare.has_errors.any()
    assert 0.05 * RECORDS < whole < 0.5 * RECORDS  # most are damaged, and not all
