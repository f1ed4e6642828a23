"""Power of voltages and currents whose power is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.test_hard_inputs import RECORDS
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.waveform import Floats, Waveform

INTERVAL = 1e-5
TIMES = np.arange(20_300) * INTERVAL  # 10.15 periods of 50 Hz


def volts(values: Floats, name: str = "line") -> Waveform:
    return Waveform.from_volts(values, interval=INTERVAL, name=name)


def amps(values: Floats, name: str = "load") -> Waveform:
    return Waveform.from_volts(values, interval=INTERVAL, name=name, unit="A")


def value(reading: Reading) -> float:
    assert reading.value is not None, reading.reason
    return reading.value


def sines(phase: float) -> list[Waveform]:
    turns = 2 * np.pi * 50 * TIMES
    return [volts(10 * np.sin(turns + 0.4)), amps(2 * np.sin(turns + 0.4 + phase))]


def test_sines_in_parts() -> None:
    # math: P = 5 W, S = 10 VA, power factor 0.5; the record holds broken cycles, the average does not. The
    # trapezoidal rule over whole periods leaves what the two interpolated ends differ by, of the order of 1e-6
    channels = sines(math.radians(-60))
    assert value(measure(channels, "real_power")) == pytest.approx(5.0, rel=1e-5)
    assert value(measure(channels, "apparent_power")) == pytest.approx(10.0, rel=1e-5)
    assert value(measure(channels, "power_factor")) == pytest.approx(0.5, rel=1e-5)
    assert value(measure(channels, "reactive_power")) == pytest.approx(10 * math.sin(math.radians(60)), rel=1e-9)


def test_exact_over_whole_cycles() -> None:
    k = np.arange(1000)
    channels = [volts(10 * np.sin(2 * np.pi * 7 * k / 1000)), amps(2 * np.sin(2 * np.pi * 7 * k / 1000 - np.pi / 3))]
    # the whole record by the trapezoidal rule lacks the last interval: 1e-3 of it at most
    assert value(measure(channels, "real_power", over="record")) == pytest.approx(5.0, rel=2e-3)
    assert value(measure(channels, "real_power")) == pytest.approx(5.0, rel=1e-4)


@given(
    phase=st.floats(-3.1, 3.1),
    scales=st.tuples(st.floats(0.01, 1000), st.floats(0.01, 1000)),
    start=st.floats(-10, 10),
)
def test_powers_make_a_triangle_and_scale(phase: float, scales: tuple[float, float], start: float) -> None:
    one, other = sines(phase)
    channels = [
        Waveform(one.codes[:5000], gain=scales[0], interval=INTERVAL, start=start),
        Waveform(other.codes[:5000], gain=scales[1], interval=INTERVAL, start=start, unit="A"),
    ]
    found = measure(channels, ["real_power", "reactive_power", "apparent_power", "power_factor"])
    real, reactive, apparent = (value(found[name]) for name in ("real_power", "reactive_power", "apparent_power"))
    # math: sines without harmonics
    assert apparent == pytest.approx(10 * scales[0] * scales[1], rel=1e-4)
    assert math.hypot(real, reactive) == pytest.approx(apparent, rel=1e-4)
    assert reactive == pytest.approx(-apparent * math.sin(phase), abs=1e-4 * apparent)
    assert value(found["power_factor"]) == pytest.approx(math.cos(phase), abs=1e-4)


def test_harmonics_count_in_apparent_and_not_in_real_power() -> None:
    # math: a sine voltage takes no power from harmonics of the current; S = U·√(I1² + I3²), Q of the fundamental 0
    turns = 2 * np.pi * 50 * TIMES
    channels = [volts(10 * np.sin(turns)), amps(2 * np.sin(turns) + 1.5 * np.sin(3 * turns))]
    assert value(measure(channels, "real_power")) == pytest.approx(10.0, rel=1e-5)
    assert value(measure(channels, "apparent_power")) == pytest.approx(12.5, rel=1e-5)
    assert value(measure(channels, "power_factor")) == pytest.approx(0.8, rel=1e-5)
    assert value(measure(channels, "reactive_power")) == pytest.approx(0.0, abs=1e-3)


def test_a_steady_supply_of_a_switched_load() -> None:
    # math: 24 V, 0 or 2 A at a duty factor of 0.4
    current = np.where(np.arange(10_000) % 250 < 100, 2.0, 0.0)
    channels = [volts(np.full(10_000, 24.0)), amps(current)]
    assert value(measure(channels, "real_power")) == pytest.approx(19.2, rel=1e-9)
    assert value(measure(channels, "apparent_power")) == pytest.approx(24 * math.sqrt(0.4) * 2, rel=1e-4)
    both_steady = [volts(np.full(100, 24.0)), amps(np.full(100, 0.5))]
    assert value(measure(both_steady, "real_power")) == pytest.approx(12.0, rel=1e-12)
    assert value(measure(both_steady, "power_factor")) == pytest.approx(1.0, rel=1e-12)
    noise = np.random.default_rng(1).normal(0, 0.01, (2, 5000))
    noisy = [volts(24 + noise[0]), amps(0.5 + noise[1])]
    assert value(measure(noisy, "real_power")) == pytest.approx(12.0, rel=1e-3)


def test_uncertainty_is_the_scatter_of_repeated_readings() -> None:
    rng = np.random.default_rng(7)
    turns = 2 * np.pi * 50 * TIMES[::20]
    readings = []
    for _ in range(60):
        # the load changes from period to period; noise rides on the voltage
        load = 2 + 0.2 * np.repeat(rng.standard_normal(102), 10)[: turns.size]
        pair = [10 * np.sin(turns) + 0.05 * rng.standard_normal(turns.size), load * np.sin(turns - 0.5)]
        waves = [
            Waveform.from_volts(part, interval=20 * INTERVAL, unit=unit) for part, unit in zip(pair, "VA", strict=True)
        ]
        readings.append(measure(waves, ["real_power", "apparent_power", "power_factor"]))
    for name in ("real_power", "apparent_power", "power_factor"):
        scatter = np.std([value(found[name]) for found in readings])
        uncertainty = np.mean([found[name].uncertainty for found in readings])
        assert 0.7 < uncertainty / scatter < 1.5, name  # ten groups tell a scatter to 24 %, 60 runs to 9 %


def test_energy_of_a_stretch() -> None:
    # math: 24 V times a current that grows by 1 A/s, ∫ = 12 t² J
    channels = [volts(np.full(TIMES.size, 24.0)), amps(TIMES)]
    assert value(measure(channels, "energy")) == pytest.approx(12 * TIMES[-1] ** 2, rel=1e-9)
    part = value(measure(channels, "energy", after="50.003 ms", until="100 ms"))
    assert part == pytest.approx(12 * (0.1**2 - 0.050003**2), rel=1e-9)
    whole = value(measure(channels, "energy", until=0.1)) + value(measure(channels, "energy", after=0.1))
    assert whole == pytest.approx(12 * TIMES[-1] ** 2, rel=1e-9)
    assert "no part of the record after 1 s" in measure(channels, "energy", after="1 s").reason


def test_agrees_with_numpy_on_a_random_record() -> None:
    # source: numpy trapezoid
    v, i = np.random.default_rng(2).normal(1, 1, (2, 3000))
    channels = [volts(v), amps(i)]
    assert value(measure(channels, "energy")) == pytest.approx(np.trapezoid(v * i, dx=INTERVAL), rel=1e-9)
    mean = np.trapezoid(v * i) / 2999
    assert value(measure(channels, "real_power", over="record")) == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize("record", RECORDS)
@pytest.mark.parametrize("name", ["real_power", "apparent_power", "power_factor", "reactive_power", "energy"])
def test_a_hard_record_gives_a_number_or_a_reason(name: str, record: str) -> None:
    one = RECORDS[record]()
    reading = measure([one, replace(one, unit="A")], name)
    if reading.value is None:
        assert reading.reason
    else:
        assert math.isfinite(reading.value)
        assert name != "power_factor" or reading.value == pytest.approx(1.0, abs=1e-9)  # of a channel with itself
        assert type(reading.value) is float


def test_what_has_no_power_is_refused() -> None:
    one, other = sines(0)
    assert "`load` is in A" in measure([other, one], "real_power").reason
    assert "order of the channels" in measure([one, one], "energy").reason
    step = [volts(np.repeat([0.0, 24.0], 50)), amps(np.repeat([0.0, 1.0], 50))]
    assert "over: record" in measure(step, "real_power").reason
    assert value(measure(step, "real_power", over="record")) == pytest.approx(24 * 49.5 / 99, rel=1e-9)
    nothing = [volts(np.full(100, 24.0)), amps(np.zeros(100))]
    assert value(measure(nothing, "real_power")) == 0.0
    assert "no apparent power" in measure(nothing, "power_factor").reason
