from __future__ import annotations

import pytest

from wavewright.analysis import catalogue
from wavewright.analysis.catalogue import METRICS, metric, metrics
from wavewright.analysis.parameters import Condition, ReferenceLevel, Slope
from wavewright.analysis.reading import Reading
from wavewright.analysis.record.survey import Survey
from wavewright.errors import Misuse


@pytest.fixture
def clean(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a test enters is gone after it."""
    metrics()
    monkeypatch.setattr(catalogue.METRICS, "entered", dict(catalogue.METRICS.entered))


@pytest.mark.usefixtures("clean")
def test_a_name_is_never_overridden() -> None:
    with pytest.raises(Misuse, match=r"metric `mean` is already defined in wavewright.analysis.levels.averages"):
        metric("mean", unit="V", source="none")(lambda survey: Reading(0.0))


@pytest.mark.usefixtures("clean")
def test_a_metric_stays_an_ordinary_function() -> None:
    def half(survey: Survey, *, share: int = 2) -> Reading:
        """Half."""
        return Reading(len(survey) / share)

    assert metric("half", unit="1", source="math")(half) is half
    entry = catalogue.METRICS.entered["half"]
    assert [parameter.name for parameter in entry.parameters] == ["share"]
    assert entry.definition == "Half."


def test_options_are_read_as_their_annotations_say() -> None:
    read = METRICS.find("time_between").options({"from": "falling 0.99 V", "to": "rising 70 %", "holdoff": "2 us"})
    assert read == {
        "from_": Condition(Slope.FALLING, ReferenceLevel(0.99, is_ratio=False)),
        "to": Condition(Slope.RISING, ReferenceLevel(0.7, is_ratio=True)),
        "holdoff": pytest.approx(2e-6),
    }


def test_python_callers_may_write_the_argument() -> None:
    read = METRICS.find("time_between").options({"from_": "rising 1 V", "to": "rising 2 V"})
    assert set(read) == {"from_", "to"}


@pytest.mark.parametrize("name", ["rise_time", "high_level", "delay", "runts"])
def test_metrics_that_read_levels_have_the_options_for_them(name: str) -> None:
    assert {"levels", "low_state", "high_state"} <= {parameter.name for parameter in METRICS.find(name).parameters}


@pytest.mark.parametrize("name", ["mean", "maximum", "rms"])
def test_metrics_that_read_no_levels_have_none(name: str) -> None:
    assert METRICS.find(name).parameters == ()


def test_a_misspelt_option_is_refused_with_the_nearest() -> None:
    with pytest.raises(Misuse, match="unknown option `levles` of metric `rise_time`") as caught:
        METRICS.find("rise_time").options({"levles": "mode"})
    assert caught.value.do == "did you mean `levels`?"
    assert "low, high, levels, low_state, high_state" in caught.value.expected


FIRST_CATALOGUE = """
minimum maximum peak_to_peak mean rms ac_rms cycle_mean cycle_rms high_level low_level amplitude overshoot undershoot
rise_time fall_time period frequency positive_pulse_width negative_pulse_width duty_factor rising_edges falling_edges
cycles time_between delay strongest_tone slew_rate preshoot settling_time burst_width pulses runts glitches time_above
time_below longest_pulse shortest_pulse crest_factor form_factor rectified_mean states
"""


def test_the_first_catalogue_is_complete() -> None:
    assert set(FIRST_CATALOGUE.split()) <= set(metrics())
