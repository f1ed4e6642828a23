"""Stations of a line: one that reads otherwise is named, and hardly ever one that does not."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, t, ttest_ind
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway

from tests.cli.conftest import Spoken, wavewright  # noqa: F401  the command, as a fixture
from tests.logbook.made_outcomes import START, outcome, result
from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.studies.stations import centred, station_study

LOTS = 1000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 100
NAMES = [f"line {number}" for number in range(1, 7)]
Command = Callable[..., Spoken]

groups = st.lists(st.lists(st.floats(-10, 10), min_size=3, max_size=9), min_size=2, max_size=5)


@given(groups)
def test_the_analysis_is_that_of_reference_libraries(values: list[list[float]]) -> None:
    # sources: statsmodels 0.14 `anova_oneway(use_var="unequal")` and `multipletests(method="holm")`, SciPy `ttest_ind`
    if min(np.var(one) for one in values) < 1e-6:
        return
    study = station_study({f"{number}": one for number, one in enumerate(values)})
    expected = anova_oneway(values, use_var="unequal", welch_correction=True)
    assert [study.f, study.p] == pytest.approx([expected.statistic, expected.pvalue], rel=1e-6, abs=1e-12)
    raw = [
        2 * t.sf(abs(ttest_ind(one, other, equal_var=False).statistic), min(len(one), len(other)) - 1)
        for place, one in enumerate(values)
        for other in values[place + 1 :]
    ]
    assert [pair.p for pair in study.pairs] == pytest.approx(multipletests(raw, method="holm")[1], rel=1e-6, abs=1e-12)


def lots(seed: int, *, gain: float, units: int = 20) -> dict[str, list[float]]:
    """Six stations with units of one lot, 3.3 V with a standard deviation of 10 mV; the third has a gain error."""
    rng = np.random.default_rng(seed)
    return {name: list(rng.normal(3.3, 0.010, units) * (1 + gain * (name == NAMES[2]))) for name in NAMES}


def test_a_gain_error_of_one_percent_is_named_and_nothing_else() -> None:
    alone = 0
    for seed in range(LOTS):
        study = station_study(lots(seed, gain=0.01))
        assert study.otherwise[0] == NAMES[2]
        alone += study.otherwise == (NAMES[2],)
        assert next(one for one in study.against_rest if one.first == NAMES[2]).p < 0.01
    assert alone >= binom.ppf(0.001, LOTS, 0.99)


@pytest.mark.parametrize("units", [3, 20])
def test_lots_without_an_error_raise_no_more_false_alarms_than_stated(units: int) -> None:
    alarms = sum(bool(station_study(lots(seed, gain=0.0, units=units)).otherwise) for seed in range(LOTS))
    assert alarms <= binom.ppf(0.999, LOTS, 0.01)


def test_units_that_went_round_do_not_count_against_a_station() -> None:
    # given stations that get different units, and three units that all of them measured, twice
    rng = np.random.default_rng(5)
    offset = {name: 0.1 * number for number, name in enumerate(NAMES)}  # the lots differ, the stations do not
    points = [(name, f"own {name} {n}", 3.3 + offset[name] + rng.normal(0, 1e-3)) for name in NAMES for n in range(5)]
    for serial, value in (("golden 1", 3.2), ("golden 2", 3.3), ("golden 3", 3.4)):
        points += [(name, serial, value + rng.normal(0, 1e-4)) for name in NAMES for _ in range(2)]
    study = station_study(centred(points))
    assert study.otherwise == ()
    assert set(study.counts.values()) == {6}
    # and one of them reads 1 % high
    study = station_study(
        centred([(name, serial, value * (1.01 if name == NAMES[4] else 1)) for name, serial, value in points])
    )
    assert study.otherwise[0] == NAMES[4]


@pytest.mark.parametrize(
    "readings, what",
    [
        ({"a": [1.0, 2.0]}, "1 stations"),
        ({"a": [1.0, 2.0], "b": [1.0]}, "station `b` has 1 readings"),
        ({"a": [1.0, 2.0], "b": [1.0, float("nan")]}, "station `b`"),
    ],
)
def test_too_little_is_refused(readings: dict[str, list[float]], what: str) -> None:
    with pytest.raises(Misuse, match=what):
        station_study(readings)


def test_readings_that_do_not_scatter() -> None:
    study = station_study({"a": [1.0, 1.0], "b": [1.0, 1.0]})
    assert (study.f, study.otherwise) == (None, ())
    assert station_study({"a": [1.0, 1.0], "b": [2.0, 2.0]}).otherwise == ("a", "b")


def test_no_unit_that_went_round_is_said() -> None:
    with pytest.raises(Misuse, match="no unit was measured at every station"):
        centred([("a", "1", 1.0), ("b", "2", 1.0)])


def test_by_the_command(wavewright: Command, tmp_path: Path) -> None:  # noqa: F811
    with Logbook(tmp_path / "line.sqlite") as book:
        number = 0
        for station, values in lots(1, gain=0.01).items():
            for value in values:
                plain = outcome(number)
                one = replace(plain.measurements[0], results=(result("level", value),))
                book.enter(
                    replace(plain, measurements=(one,), started=START + timedelta(seconds=number)), station=station
                )
                number += 1
    told = wavewright("study", "stations", "rail_noise.level", "--logbook", tmp_path / "line.sqlite")
    assert told.status == 0, told
    assert "line 3 reads otherwise: by 3" in told.stdout
    told = wavewright("study", "yield", "--station", "line 3", "--logbook", tmp_path / "line.sqlite")
    assert "of 20 " in told.stdout, told
