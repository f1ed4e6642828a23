"""Groups of readings: analysis of variance, one way."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f as f_distribution
from scipy.stats import f_oneway

from wavewright.errors import Misuse
from wavewright.logbook.studies.groups import group_study

# JCGM 100:2008, table H.9 (seen in the tests of a reference library): a voltage standard of 10 V on ten days, five
# readings on each: mean of the day less 10 V, and standard deviation of its readings, in microvolts
DAY_MEANS = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
DAY_DEVIATIONS = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


def days() -> list[list[float]]:
    """Five readings for each day that have exactly its mean and standard deviation; the document prints no others."""
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    return [(mean + s * shape).tolist() for mean, s in zip(DAY_MEANS, DAY_DEVIATIONS, strict=True)]


def test_a_voltage_standard_on_ten_days() -> None:
    # source: JCGM 100:2008, H.5.2; s_a, s_b and F seen in a reference library's tests, the rest from memory, not
    # verified, all recomputed. The printed F of 2.25 is (57·√5/85)², from rounded numbers; unrounded it is 2.26.
    study = group_study(days())
    assert f"{10 + 1e-6 * study.mean:.6f}" == "10.000097"
    assert f"{study.from_means / math.sqrt(5):.0f}" == "57"
    assert [f"{study.from_means:.0f}", f"{study.within:.0f}"] == ["128", "85"]
    assert study.f == pytest.approx(2.26151927, rel=1e-8)
    assert f"{5 * round(study.from_means / math.sqrt(5)) ** 2 / round(study.within) ** 2:.2f}" == "2.25"
    assert study.p == pytest.approx(0.03739683, rel=1e-6)
    # between the 95 % and the 97.5 % point of F, as the document says: 2.12 and 2.45
    degrees = (study.degrees_of_freedom, study.pooled_degrees_of_freedom - study.degrees_of_freedom)
    assert degrees == (9, 40)
    assert [f"{f_distribution.ppf(share, *degrees):.2f}" for share in (0.95, 0.975)] == ["2.12", "2.45"]
    assert [f"{study.between:.0f}", f"{study.uncertainty:.0f}", f"{study.pooled_uncertainty:.0f}"] == ["43", "18", "13"]
    assert [study.between, study.uncertainty, study.pooled_uncertainty] == pytest.approx(
        [42.63861057, 18.05328533, 13.32324193], rel=1e-9
    )
    assert study.pooled_degrees_of_freedom == 49


@given(st.lists(st.lists(st.floats(-10, 10), min_size=3, max_size=3), min_size=2, max_size=6))
def test_variance_ratio_is_that_of_a_reference_library(groups: list[list[float]]) -> None:
    # source: scipy.stats.f_oneway
    study = group_study(groups)
    if not study.f or study.within < 1e-6:  # of groups whose means are equal SciPy gives no chance
        return
    expected = f_oneway(*groups)
    assert [study.f, study.p] == pytest.approx([expected.statistic, expected.pvalue], rel=1e-6, abs=1e-9)


def test_groups_that_do_not_differ_add_nothing() -> None:
    study = group_study([[1.0, 3.0], [1.0, 3.0], [1.0, 3.0]])
    assert study.between == 0.0
    assert study.f == 0.0
    assert study.uncertainty == 0.0
    assert study.pooled_uncertainty > 0.0


def test_groups_without_scatter_have_no_variance_ratio() -> None:
    study = group_study([[1.0, 1.0], [3.0, 3.0]])
    assert study.f is None
    assert study.between == pytest.approx(math.sqrt(2))


@pytest.mark.parametrize(
    "groups, words",
    [([[1.0, 2.0]], "1 groups of 2"), ([[1.0], [2.0]], "2 groups of 1"), ([[1.0, 2.0], [1.0, 2.0, 3.0]], "2 or 3")],
)
def test_a_table_that_is_not_whole_is_refused(groups: list[list[float]], words: str) -> None:
    with pytest.raises(Misuse, match=words):
        group_study(groups)


def test_a_missing_value_is_refused() -> None:
    with pytest.raises(Misuse, match="not a finite number"):
        group_study([[1.0, math.nan], [1.0, 2.0]])


# NIST Statistical Reference Datasets, analysis of variance, as SciPy carries them, with the certified values in the
# head of each file. Of readings that agree in 7 or 13 digits float64 itself keeps that much: from the rounded numbers
# as exact fractions the variance ratio is the same to 1e-15.
KEPT = {
    **dict.fromkeys(("SmLs04", "SmLs05", "SmLs06", "AtmWtAg"), 1e-10),
    **dict.fromkeys(("SmLs07", "SmLs08", "SmLs09"), 1e-4),
}
STRD = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


@pytest.mark.parametrize("name", sorted(path.stem for path in STRD.glob("*.dat")))
def test_nist_strd_analysis_of_variance(name: str) -> None:
    lines = (STRD / f"{name}.dat").read_text().splitlines()
    head, groups = lines[:60], dict[str, list[float]]()
    for group, reading in (line.split() for line in lines[60:] if len(line.split()) == 2):
        groups.setdefault(group, []).append(float(reading))
    ratio = float(next(line for line in head if line.startswith("Between")).split()[-1])
    deviation = float(head[next(n for n, line in enumerate(head) if "Certified Residual" in line) + 1].split()[-1])
    study = group_study(list(groups.values()))
    kept = KEPT.get(name, 1e-11)
    assert study.f == pytest.approx(ratio, rel=kept)
    assert study.within == pytest.approx(deviation, rel=kept)
