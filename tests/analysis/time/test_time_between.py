from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wavewright.analysis.measure import measure
from wavewright.analysis.reading import Reading
from wavewright.errors import Misuse
from wavewright.recipe.acquisition import Trigger
from wavewright.waveform import Waveform


def between(waves: Waveform | list[Waveform], begin: str, end: str, **options: object) -> Reading:
    reading = measure(waves, "time_between", **{"from": begin, "to": end, **options})
    assert isinstance(reading, Reading)
    return reading


def test_between_two_levels_of_an_rc_edge() -> None:
    # math: ln 9 · RC = 21.97224577 ms
    rc = 100e3 * 100e-9
    times = np.arange(-1000, 12_000) * 1e-5
    wave = Waveform.from_volts(5 * (1 - np.exp(-np.maximum(times, 0) / rc)), interval=1e-5)
    assert between(wave, "rising 0.5 V", "rising 4.5 V").value == pytest.approx(21.97224577e-3, rel=1e-6)


def test_a_reset_that_holds() -> None:
    # straight ramps: 3.3 → 0 V in 1 ms, low for 2 ms, 0 → 3.3 V in 1 ms; 0.99 V is 0.7 ms down, 2.31 V 0.7 ms up
    places = np.array([0, 1000, 2000, 4000, 5000, 8000])
    volts = np.interp(np.arange(8000), places, [3.3, 3.3, 0, 0, 3.3, 3.3])
    wave = Waveform.from_volts(volts, interval=1e-6, name="reset")
    reading = between(wave, "falling 0.99 V", "rising 2.31 V")
    assert reading.value == pytest.approx(3.0e-3, rel=1e-9)
    assert reading.occurrences.times == pytest.approx([1.7e-3])


def square(offset: float = 0.0, n: int = 1000, period: int = 100) -> Waveform:
    return Waveform.from_volts((np.arange(n) % period < period // 2) * 1.0, interval=1e-6, start=offset)


@pytest.mark.parametrize("ordinal, expected", [(1, 100e-6), (2, 200e-6), (3, 300e-6)])
def test_the_ordinal_counts_the_ends(ordinal: int, expected: float) -> None:
    reading = between(square(), "rising 50 %", "rising 50 %", ordinal=ordinal)
    assert reading.value == pytest.approx(expected)
    assert reading.count == (9 - 1) // ordinal  # one stopwatch: none starts while another runs


def test_the_holdoff_skips_what_comes_too_soon() -> None:
    assert between(square(), "rising 50 %", "falling 50 %").value == pytest.approx(50e-6)
    assert between(square(), "rising 50 %", "falling 50 %", holdoff="60 us").value == pytest.approx(150e-6)


def test_the_end_may_be_on_another_channel_and_axis() -> None:
    later = square(offset=7.5e-6)
    assert between([square(), later], "falling 0.5 V", "falling 0.5 V").value == pytest.approx(7.5e-6)


def test_either_slope_takes_the_next_of_both() -> None:
    assert between(square(), "either 50 %", "either 50 %").value == pytest.approx(50e-6)


def simulated(starts: list[float], stops: list[float], ordinal: int, holdoff: float) -> list[tuple[float, float]]:
    """The stopwatch, event by event."""
    pairs, running, seen = [], None, 0
    events = sorted([(t, 0) for t in stops] + [(t, 1) for t in starts])  # a stop before a start at the same instant
    for time, is_start in events:
        if not is_start and running is not None and time > running + holdoff:
            seen += 1
            if seen == ordinal:
                pairs.append((running, time))
                running = None
        elif is_start and running is None:
            running, seen = time, 0
    return pairs


@given(
    st.lists(st.integers(0, 60), unique=True, max_size=20),
    st.lists(st.integers(0, 60), unique=True, max_size=20),
    st.integers(1, 3),
    st.sampled_from([0.0, 4.0]),
)
@settings(max_examples=200)
def test_starts_and_stops_pair_as_on_a_stopwatch(starts, stops, ordinal, holdoff) -> None:
    from wavewright.analysis.time.time_between import _stopwatch

    begins, ends = (np.array(sorted(each), dtype=float) for each in (starts, stops))
    begun, ended = _stopwatch(begins, ends, ordinal, holdoff)
    assert list(zip(begun, ended, strict=True)) == simulated(starts, stops, ordinal, holdoff)


def test_no_pair_gives_a_reason_with_both_counts() -> None:
    reading = between(square(n=130), "falling 0.5 V", "rising 0.7 V", ordinal=3)
    assert reading.value is None
    assert "1 crossings `falling 0.5` of `waveform` and 1 crossings `rising 0.7`" in reading.reason
    assert "3 of the second" in reading.reason


@pytest.mark.parametrize("options", [{"ordinal": 0}, {"holdoff": "-1 us"}])
def test_options_that_make_no_sense_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(Misuse, match="outside any sensible range"):
        between(square(), "rising 50 %", "falling 50 %", **options)


def test_a_missing_condition_is_named_as_the_recipe_writes_it() -> None:
    with pytest.raises(Misuse, match="metric `time_between` needs `from`"):
        measure(square(), "time_between", to="rising 50 %")


def test_the_uncertainty_is_that_of_both_edges() -> None:
    # edges of one interval: ±½ interval each, rectangular (JCGM 100:2008, 4.3.7)
    reading = between(square(), "rising 50 %", "falling 50 %")
    assert reading.uncertainty == pytest.approx(math.sqrt(2) * 0.5e-6 / math.sqrt(3))


def test_holdoff_is_spelt_as_the_trigger_spells_it() -> None:
    # SCPI-99 volume 2, TRIGger:HOLDoff: one word
    with pytest.raises(Misuse, match="unknown option `hold_off`") as caught:
        between(square(), "rising 50 %", "falling 50 %", hold_off="60 us")
    assert caught.value.do == "did you mean `holdoff`?"
    assert "holdoff" in Trigger.model_fields
