"""`wavewright budget RUN READING`: the whole table of contributions."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.logbook.book import Logbook
from wavewright.running.result import MeasurementOutcome, judged_result

Command = Callable[..., Spoken]

# JCGM 100:2008, H.1, the end gauge: the four parts as printed; u_c 32 nm, degrees of freedom 16.7 of parts not rounded
GAUGE = (
    Contribution("calibration of the standard", 25e-9, degrees_of_freedom=18, source="certificate"),
    Contribution("measured difference", 9.7e-9, sensitivity=1.0, degrees_of_freedom=25.6, source="five observations"),
    Contribution("difference of expansion", 2.9e-9, sensitivity=-0.005, degrees_of_freedom=50,
                 distribution=Distribution.RECTANGULAR),
    Contribution("difference of temperature", 16.6e-9, key="bench:temperature", sensitivity=-5.75e-7,
                 degrees_of_freedom=2, distribution=Distribution.RECTANGULAR),
)  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Path:
    readings = {
        "gauge": Reading(0.050000838, "m", budget=Budget(0.050000838, "m", GAUGE)),
        "half": Reading(3.3, "V", budget=Budget(3.3, "V", (Contribution("noise", 1e-3),), ("gain of the digitizer",))),
        "bare": Reading(3.3, "V", uncertainty=1e-3),
        "glitches": Reading(0.0, "count"),
        "none": Reading(None, "s", reason="0 edges"),
    }
    results = tuple(judged_result(name, "mean", (), [reading]) for name, reading in readings.items())
    with Logbook(tmp_path / "logbook.sqlite") as book:
        book.enter(replace(outcome(), measurements=(MeasurementOutcome("bench", shots=1, results=results),)))
    return tmp_path / "logbook.sqlite"


def test_the_end_gauge(book: Path, wavewright: Command) -> None:
    told = wavewright("budget", "last", "bench.gauge", "--logbook", book)
    assert told.status == 0
    head, headings, *rows = told.stdout.splitlines()
    assert head.startswith("bench.gauge: 50.000838 mm ± ")
    assert "combined standard uncertainty 32 nm, degrees of freedom 16.8" in head
    assert re.split(r" {2,}", headings.strip())[:4] == ["contribution", "u", "distribution", "sensitivity"]
    assert [re.split(r" {2,}", row)[0] for row in rows] == [
        "calibration of the standard",
        "difference of temperature",
        "measured difference",
        "difference of expansion",
    ]
    assert re.split(r" {2,}", rows[1].rstrip())[1:] == ["17 nm", "rectangular", "-5.75e-07", "2", "27.5 %"]


def test_json_has_all_digits(book: Path, wavewright: Command) -> None:
    told = wavewright("budget", "last", "bench.gauge", "--logbook", book, "--json").json
    assert told["standard_uncertainty"] == pytest.approx(31.671e-9, rel=1e-4)  # closed form
    assert told["degrees_of_freedom"] == pytest.approx(16.7, abs=0.1)
    assert (told["coverage"], told["complete"], told["missing"]) == (0.95, True, [])
    assert told["expanded_uncertainty"] == pytest.approx(told["coverage_factor"] * told["standard_uncertainty"])
    assert sum(one["share"] for one in told["contributions"]) == pytest.approx(1)
    temperature = next(one for one in told["contributions"] if one.get("key"))
    assert temperature == {
        "name": "difference of temperature", "standard": 16.6e-9, "distribution": "rectangular",
        "degrees_of_freedom": 2, "key": "bench:temperature", "sensitivity": -5.75e-7,
        "share": pytest.approx(0.2747, abs=1e-4),
    }  # fmt: skip


def test_what_is_not_known_is_said(book: Path, wavewright: Command) -> None:
    told = wavewright("budget", "last", "bench.half", "--logbook", book)
    assert "record only; not known: gain of the digitizer" in told.stdout
    assert "±" not in told.stdout
    plain = wavewright("budget", "last", "bench.half", "--logbook", book, "--json").json
    assert (plain["complete"], plain["expanded_uncertainty"]) == (False, None)
    assert "record only: it has no budget" in wavewright("budget", "last", "bench.bare", "--logbook", book).stdout
    assert "a number of things" in wavewright("budget", "last", "bench.glitches", "--logbook", book).stdout
    assert "no number: 0 edges" in wavewright("budget", "last", "bench.none", "--logbook", book).stdout


def test_an_unknown_reading_is_refused_with_the_nearest(book: Path, wavewright: Command) -> None:
    told = wavewright("budget", "last", "bench.guage", "--logbook", book)
    assert told.status == 64
    assert "did you mean `bench.gauge`?" in told.stderr
