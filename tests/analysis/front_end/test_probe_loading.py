"""Probe loading against circuit laws."""

from __future__ import annotations

import cmath
import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.front_end.probe_loading import (
    Crystal,
    Probe,
    ProbedNode,
    crystal_pulling,
    dc_loading,
    expected_loading,
    resonance_frequency,
)
from wavewright.errors import Misuse

PROBE_10X = Probe(10e6, 12e-12, 10)


@pytest.mark.parametrize("source, percent", [(10e3, -0.0999001), (100e3, -0.9900990), (1e6, -9.0909091)])
def test_loading_at_rest(source: float, percent: float) -> None:
    assert 100 * dc_loading(source, 10e6) == pytest.approx(percent, rel=1e-7), "math: −R_s / (R_s + R)"


def test_a_divider_touched_with_a_bare_input() -> None:
    change = expected_loading(
        Probe(1e6, 0), ProbedNode(5e3)
    ).dc_change  # 10 kΩ over 10 kΩ is 5 kΩ in series with half of 5 V
    assert 2.5 * (1 + change) == pytest.approx(2.487562, abs=5e-7), "math: Thévenin"
    assert change == pytest.approx(-0.00497512, abs=5e-9)


def test_bandwidth_and_rise_time_with_a_probe() -> None:
    ten, hundred = expected_loading(PROBE_10X, ProbedNode(10e3)), expected_loading(PROBE_10X, ProbedNode(100e3))
    assert ten.bandwidth == pytest.approx(1.327617e6, rel=1e-6), "math: 1 / (2π (R_s ∥ R) C)"
    assert hundred.bandwidth == pytest.approx(133.955e3, rel=1e-5), "math"
    assert ten.rise_time == pytest.approx(263.4035e-9, rel=1e-6), "math: ln 9 · (R_s ∥ R) C"
    assert math.isinf(ten.bandwidth_before)


def test_a_resonance_pulled_by_a_probe() -> None:
    before, after = resonance_frequency(10e-6, 100e-12), resonance_frequency(10e-6, 110e-12)
    assert (before, after) == pytest.approx((5.032921e6, 4.798702e6), rel=1e-6), "math: 1 / (2π √(L C))"
    assert after / before - 1 == pytest.approx(-0.04653741, abs=1e-8), "math"
    assert resonance_frequency(100e-9, 10e-12) == pytest.approx(159.154943e6, rel=1e-8), "math: lead and tip"


@pytest.mark.parametrize("added", [0.01e-12, 1e-12, 5e-12, 12e-12])
def test_a_pulling_of_a_few_ppm_keeps_its_digits(added: float) -> None:
    # the model itself, with 50 digits
    with localcontext(prec=50):
        motional, load = Decimal("15e-15"), Decimal("22e-12")
        before, after = (1 + motional / load).sqrt(), (1 + motional / (load + Decimal(added))).sqrt()
        exact = after / before - 1
        found = crystal_pulling(Crystal(12e6, 15e-15, 4e-12, 18e-12), added)
        assert abs(Decimal(found) / exact - 1) < Decimal("8e-16")


def test_a_crystal_pulled_by_a_probe() -> None:
    crystal = Crystal(12e6, 15e-15, 4e-12, 18e-12)
    change = crystal_pulling(crystal, 5e-12)
    assert 1e6 * change == pytest.approx(-63.0903, abs=1e-3), "math: series-resonance model; from memory, not verified"
    assert 12e6 * change == pytest.approx(-757.083, abs=1e-2)
    first_order = 15e-15 / 2 * (1 / 27e-12 - 1 / 22e-12)
    assert 1e6 * first_order == pytest.approx(-63.1313, abs=1e-3)
    assert expected_loading(Probe(10e6, 5e-12), ProbedNode(1e3), crystal=crystal).frequency_change == change


@given(
    resistance=st.floats(1e3, 1e8),
    capacitance=st.floats(1e-13, 1e-10),
    source=st.floats(1, 1e6),
    own=st.floats(0, 1e-10),
    frequency=st.floats(0, 1e9),
)
def test_the_change_of_a_sine_is_that_of_the_impedances(resistance, capacitance, source, own, frequency) -> None:
    # math: voltage divider of complex admittances, written down anew
    probe, node = Probe(resistance, capacitance), ProbedNode(source, own)
    admittance = 2j * math.pi * frequency * own
    before = 1 / (1 + source * admittance)
    after = 1 / (1 + source * (admittance + 1 / resistance + 2j * math.pi * frequency * capacitance))
    found = expected_loading(probe, node, frequency=frequency)
    assert found.amplitude_change == pytest.approx(abs(after / before) - 1, abs=1e-9)
    assert found.phase_change_deg == pytest.approx(math.degrees(cmath.phase(after / before)), abs=1e-6)


@given(st.floats(1e3, 1e7), st.floats(0, 1e-10), st.floats(1, 1e6), st.floats(1e-13, 1e-10))
def test_touching_never_makes_a_node_faster_or_larger(resistance, capacitance, source, own) -> None:
    found = expected_loading(Probe(resistance, capacitance), ProbedNode(source, own), frequency=1e6)
    assert found.dc_change < 0
    assert found.amplitude_change <= 1e-12
    slower_by = (1 + capacitance / own) / (1 + source / resistance)  # the probe's resistance alone makes it faster
    assert found.bandwidth_before / found.bandwidth == pytest.approx(slower_by, rel=1e-9)


def test_at_0_hz_a_sine_is_loaded_as_at_rest() -> None:
    found = expected_loading(PROBE_10X, ProbedNode(100e3, 1e-12), frequency=0.0)
    assert found.amplitude_change == pytest.approx(found.dc_change, rel=1e-12)


def test_a_simulated_step_takes_the_expected_rise_time() -> None:
    # SciPy 1.17.1 integrates the node's differential equation independently
    from scipy.integrate import solve_ivp

    probe, node = PROBE_10X, ProbedNode(100e3, 3e-12)
    total = node.capacitance + probe.capacitance
    run = solve_ivp(
        lambda _, v: ((1 - v) / node.resistance - v / probe.resistance) / total,
        (0, 2e-5),
        [0.0],
        rtol=1e-9,
        atol=1e-12,
        dense_output=True,
    )
    times = np.linspace(0, 2e-5, 200_001)
    volts = run.sol(times)[0] / (1 + expected_loading(probe, node).dc_change)
    rise = np.interp([0.1, 0.9], volts, times)
    assert rise[1] - rise[0] == pytest.approx(expected_loading(probe, node).rise_time, rel=1e-5)


@pytest.mark.parametrize("data", [(0, 1e-12, 1), (1e6, -1e-12, 1), (1e6, 0, 0.5), (math.nan, 0, 1)])
def test_a_probe_that_cannot_be_is_refused(data) -> None:
    with pytest.raises(Misuse, match="a probe of"):
        Probe(*data)
    with pytest.raises(Misuse, match="a node of"):
        ProbedNode(-1.0)


def test_a_node_without_resistance_is_not_loaded() -> None:
    # math: the divider of 0 ohm and anything passes all of it
    loading = expected_loading(
        Probe(resistance=1e6, capacitance=12e-12, attenuation=1.0), ProbedNode(0.0), frequency=1e6
    )
    assert loading.dc_change == pytest.approx(0.0, abs=1e-15)
