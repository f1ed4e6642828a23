"""Control charts: the published factors, and charts of simple series."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import norm

from wavewright.errors import Misuse
from wavewright.logbook.queries import Point
from wavewright.logbook.studies.catalogue import StudiedReading
from wavewright.logbook.studies.control_charts import (
    chart_constants,
    charts_of_reading,
    individuals_chart,
    subgroup_charts,
)

# size, d2, d3, A2, D3, D4, c4, A3, B3, B4: the normal range distribution by quadrature and
# c4 = sqrt(2/(n-1)) gamma(n/2)/gamma((n-1)/2); printed tables of the charts agree to their three or four places
FACTORS = [
    (2, 1.12838, 0.85250, 1.8800, 0, 3.2665, 0.797885, 2.6587, 0, 3.2665),
    (3, 1.69257, 0.88837, 1.0233, 0, 2.5746, 0.886227, 1.9544, 0, 2.5682),
    (4, 2.05875, 0.87981, 0.7286, 0, 2.2821, 0.921318, 1.6281, 0, 2.2660),
    (5, 2.32593, 0.86408, 0.5768, 0, 2.1145, 0.939986, 1.4273, 0, 2.0890),
    (6, 2.53441, 0.84804, 0.4832, 0, 2.0038, 0.951533, 1.2871, 0.0304, 1.9696),
    (7, 2.70436, 0.83321, 0.4193, 0.0757, 1.9243, 0.959369, 1.1819, 0.1177, 1.8823),
    (8, 2.84720, 0.81983, 0.3725, 0.1362, 1.8638, 0.965030, 1.0991, 0.1851, 1.8149),
    (9, 2.97003, 0.80783, 0.3367, 0.1840, 1.8160, 0.969311, 1.0317, 0.2391, 1.7609),
    (10, 3.07751, 0.79705, 0.3083, 0.2230, 1.7770, 0.972659, 0.9754, 0.2837, 1.7163),
]


@pytest.mark.parametrize("row", FACTORS, ids=[f"{row[0]}" for row in FACTORS])
def test_factors_of_the_charts(row: tuple[float, ...]) -> None:
    k = chart_constants(int(row[0]))
    ours = (k.d2, k.d3, k.a2, k.lower_range, k.upper_range, k.c4, k.a3, k.lower_deviation, k.upper_deviation)
    assert ours == pytest.approx(row[1:], abs=1e-4)


def test_printed_factors_of_a_textbook_table() -> None:
    # common practice: 2.66 on individuals charts, D4 2.574 for three and 2.114 for five values
    assert 3 / chart_constants(2).d2 == pytest.approx(2.66, abs=2e-3)
    assert chart_constants(3).upper_range == pytest.approx(2.574, abs=1e-3)
    assert chart_constants(5).upper_range == pytest.approx(2.114, abs=1e-3)


def test_limits_of_three_deviations_give_one_false_alarm_in_370() -> None:
    # math; e-Handbook 6.3.2 prints about 371 from the rounded 0.0027
    values = np.random.default_rng(1).normal(size=400_000)
    single, _ = individuals_chart(values)
    assert single.high == pytest.approx(3, abs=0.02)
    assert values.size / len(single.beyond) == pytest.approx(1 / (2 * norm.sf(3)), rel=0.1)


def test_the_point_that_left_is_named() -> None:
    single, ranges = individuals_chart([10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 13.0, 10.0, 9.9, 10.1])
    assert single.beyond == (6,)
    assert set(ranges.beyond) == {5, 6}


def test_subgroup_limits_follow_from_the_mean_range() -> None:
    groups = [[1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [1.5, 2.5, 3.5]]
    means, ranges = subgroup_charts(groups)
    assert means.centre == pytest.approx(2.5)
    assert means.high - means.centre == pytest.approx(1.0233 * 2, abs=2e-4)
    assert ranges.high == pytest.approx(2.5746 * 2, abs=2e-4)
    assert ranges.low == 0


@pytest.mark.parametrize("size", [0, 1, 26])
def test_subgroups_out_of_reason_are_refused(size: int) -> None:
    with pytest.raises(Misuse, match=f"subgroups of {size}"):
        chart_constants(size)


def test_the_rules_of_a_batch_look_at_kept_runs_too() -> None:
    # nine points on one side after nine on the other: Nelson's test 2, at the 9th and at the 18th point
    values = [1.0, 1.1, 1.0, 1.1, 1.0, 1.1, 1.0, 1.1, 1.0, 2.0, 2.1, 2.0, 2.1, 2.0, 2.1, 2.0, 2.1, 2.0]
    start = datetime(2026, 3, 2, tzinfo=UTC)
    points = tuple(Point("run", start, "A1", value, None, None, None) for value in values)
    reading = StudiedReading("rail_noise.ripple", "V", points)
    found = charts_of_reading(reading, rules="9 in a row on one side")
    assert [call["index"] for call in found.plain["calls"]] == [8, 17]
    assert found.lines[-1] == "individual values: 9 in a row on one side: points 10 to 18"
    assert charts_of_reading(reading, rules="14 in a row alternating").lines[-1] == "no rule calls"
