from __future__ import annotations

import math

import numpy as np
import pytest

from tests.analysis.transitions.test_aberrations import second_order_step
from tests.analysis.transitions.test_rise_and_fall import STATES as POLE_STATES
from tests.analysis.transitions.test_rise_and_fall import TAU, single_pole
from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Doubt
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

STATES = {"low_state": 0.0, "high_state": 1.0}


@pytest.mark.parametrize("band, factor", [(0.05, 2.995732), (0.02, 3.912023), (0.01, 4.605170), (0.001, 6.907755)])
def test_a_single_pole_settles(band: float, factor: float) -> None:
    # math: −ln band time constants from the step, ln 2 less from the 50 % instant; the entry is interpolated
    reading = measure(single_pole(), "settling_time", band=band, **POLE_STATES)
    assert reading.value == pytest.approx((factor - math.log(2)) * TAU, abs=1e-6)


@pytest.mark.parametrize(
    "damping, band, settled", [(0.2, 0.02, 19.6019), (0.2, 0.05, 13.7444), (0.5, 0.02, 8.0763), (0.7, 0.05, 2.8998)]
)
def test_to_s10_a_second_order_step_settles(damping: float, band: float, settled: float) -> None:
    # math: last root of |step − 1| = band, from the step (scipy.optimize.brentq); times to 1e-3
    wave = second_order_step(damping)
    reading = measure(wave, "settling_time", band=band, **STATES)
    middle = reading.occurrences.times[0]
    assert middle + reading.value == pytest.approx(settled, abs=1e-3)


def test_every_transition_settles_on_its_own() -> None:
    edge = [0.0, 0.5, 1.0]
    slow = np.concatenate([[0.0] * 50, edge, [1.1] * 10, [1.0] * 40])
    fast = np.concatenate([[0.0] * 50, edge, [1.1] * 4, [1.0] * 46])
    reading = measure(Waveform.from_volts(np.concatenate([slow, fast]), interval=1.0), "settling_time", **STATES)
    # from the middle sample to where the line from 1.1 to 1.0 reaches 1.02, 0.8 of an interval after the last 1.1
    assert reading.occurrences.values == pytest.approx([11.8, 5.8])


def test_a_transition_that_rings_until_the_next_has_not_settled() -> None:
    ringing = np.concatenate([np.zeros(50), 1 + 0.3 * np.cos(np.arange(50) * 2.1), np.zeros(50), np.ones(50)])
    reading = measure(Waveform.from_volts(ringing, interval=1.0), "settling_time", **STATES)
    assert reading.count == 1
    assert Doubt.NOT_SETTLED in reading.doubts


def test_a_record_that_ends_outside_the_band_gives_a_reason() -> None:
    wave = Waveform.from_volts(np.concatenate([np.zeros(50), np.linspace(0.5, 0.97, 50)]), interval=1.0, name="rail")
    reading = measure(wave, "settling_time", **STATES)
    assert reading.value is None
    assert reading.reason.startswith("`rail`: none of 1 rising transitions settles to 0.02 of the amplitude")


@pytest.mark.parametrize("options", [{"band": 0.0}, {"band": 0.6}, {"slope": "either"}])
def test_options_that_make_no_sense_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(Misuse):
        measure(single_pole(), "settling_time", **options)
