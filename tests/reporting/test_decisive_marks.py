"""What decided is marked in the trace of its shot, where it was and with the limit that it met or missed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.reporting.reported import reported
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.stored_recipe import parse_stored_recipe
from wavewright.reporting.decisive_marks import marks_of
from wavewright.reporting.drawn_shot import DrawnShot
from wavewright.reporting.marks import (
    InstantMark,
    LevelMark,
    Mark,
    MarkRole,
    OutlineMark,
    PlaceMark,
    ReachMark,
    SpanMark,
    ZoneMark,
)
from wavewright.reporting.pictures import pictures_of
from wavewright.reporting.traces import trace_picture
from wavewright.running.evaluation import evaluate
from wavewright.running.result import MeasurementOutcome
from wavewright.running.shot import ExaminedShot
from wavewright.waveform import Capture, Waveform

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def marks() -> dict[str, list[Mark]]:
    outcome = reported()
    recipe = parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    shots = outcome.captures["rail_noise"]
    (measurement,) = recipe
    return marks_of(DrawnShot(outcome.measurements[0], measurement, shots, 1, ExaminedShot(shots[1], measurement), "a"))


def test_a_difference_of_levels_reaches_from_one_extreme_to_the_other_with_its_limit(
    marks: dict[str, list[Mark]],
) -> None:
    rail = reported().captures["rail_noise"][1]["rail"].values()
    (reach,) = (mark for mark in marks["rail"] if isinstance(mark, ReachMark))
    assert (reach.low, reach.high) == (pytest.approx(rail.min()), pytest.approx(rail.max()))
    assert MarkRole.READING is reach.role
    (limit,) = (mark for mark in marks["rail"] if isinstance(mark, LevelMark))
    assert (limit.value, limit.role) == (pytest.approx(rail.min() + 0.040), MarkRole.LIMIT)
    places = {mark.told.split(",")[0]: mark for mark in marks["rail"] if isinstance(mark, PlaceMark)}
    assert places["ripple: highest sample"].value == pytest.approx(rail.max())
    wave = reported().captures["rail_noise"][1]["rail"]
    assert places["ripple: lowest sample"].at == pytest.approx(wave.time_of(int(rail.argmin())))


def test_a_level_has_its_limits_across_the_trace(marks: dict[str, list[Mark]]) -> None:
    levels = {mark.label: mark for mark in marks["enable"] if isinstance(mark, LevelMark)}
    assert levels["lowest high: 3.2 V"].value == 3.2
    assert levels["highest high: 3.4 V"].role is MarkRole.LIMIT
    assert next(mark for label, mark in levels.items() if label.startswith("high 3.3")).role is MarkRole.READING


def test_a_duration_has_its_limits_from_where_it_begins(marks: dict[str, list[Mark]]) -> None:
    spans = [mark for mark in marks["enable"] if isinstance(mark, SpanMark) and mark.told.startswith("width")]
    labelled = [span for span in spans if span.label]
    assert len(labelled) == 1
    ends = [mark.at - labelled[0].first for mark in marks["enable"] if isinstance(mark, InstantMark)]
    assert ends == [pytest.approx(19.99e-6), pytest.approx(20.01e-6)]
    assert "limit: 19.99 us .. 20.01 us" in labelled[0].label
    assert all(span.role is MarkRole.FAILED for span in spans)


def test_the_worst_of_many_occurrences_is_marked_however_late_it_comes() -> None:
    # math: 200 pulses of 40 us, the 150th of them 3 us long, every 100 us from 10 us on
    time = np.arange(20_000) * 1e-6
    lengths = np.where(np.floor(time / 1e-4) == 149, 3e-6, 40e-6)
    volts = 3.3 * ((time % 1e-4 >= 10e-6) & (time % 1e-4 < 10e-6 + lengths))
    text = """
wavewright: 1
title: t
measurements:
  line:
    channels: {enable: {input: 1, range: 8 V}}
    timebase: {span: 20 ms, rate: 1 MHz}
    compute:
      shortest: {metric: shortest_pulse, of: enable, limit: at least 30 us}
      width: {metric: positive_pulse_width, of: enable, limit: 35 us .. 45 us}
"""
    measurement = parse_recipe(text, "r.yaml").measurements[0]
    capture = Capture({"enable": Waveform.from_volts(volts, interval=1e-6, name="enable")})
    one = MeasurementOutcome("line", results=evaluate(measurement, [capture]))
    subject = DrawnShot(one, measurement, [capture], 0, ExaminedShot(capture, measurement), "a")
    spans = [mark for mark in marks_of(subject)["enable"] if isinstance(mark, SpanMark)]
    for name in ("shortest", "width"):
        first = next(span for span in spans if span.label.startswith(name))
        assert first.first == pytest.approx(149 * 1e-4 + 10e-6, abs=1e-6), name
        assert first.last - first.first == pytest.approx(3e-6, abs=1e-6), name


def test_the_interval_of_a_level_is_a_zone() -> None:
    text = """
wavewright: 1
title: t
measurements:
  line:
    channels: {rail: {input: 1, range: 8 V}}
    timebase: {span: 1 ms, points: 1k}
    compute: {rail_level: {metric: mean, of: rail, limit: 3.2 V .. 3.4 V}}
"""
    measurement = parse_recipe(text, "r.yaml").measurements[0]
    capture = Capture({"rail": Waveform.from_volts(np.tile([3.29, 3.31], 500), interval=1e-6, name="rail")})
    results = evaluate(measurement, [capture])
    one = MeasurementOutcome("line", results=results)
    subject = DrawnShot(one, measurement, [capture], 0, ExaminedShot(capture, measurement), "a")
    zones = [mark for mark in marks_of(subject)["rail"] if isinstance(mark, ZoneMark)]
    budget = results[0].reading.budget
    if budget is None or not budget.is_complete:  # nobody has said how accurate the set-up is
        assert zones == []
        return
    assert (zones[0].low + zones[0].high) / 2 == pytest.approx(3.3)


RARE = """
wavewright: 1
title: t
measurements:
  density:
    channels: {enable: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 520 us, rate: 25 MHz}
    shots: 250
    persistence: {columns: 5200, rows: 16, rare: 100, rare_shots: exactly 0}
"""
RARE_AT = {13: 24e-6, 20: 125e-6, 159: 226e-6, 177: 427e-6}  # s, by shot from 0


def rare_shots() -> tuple[MeasurementOutcome, DrawnShot]:
    """250 shots of pulses of 60 us in every 100 us; in four of them one pulse has a gap of 1 us."""
    time = np.arange(13_000) * 4e-8
    usual = np.where(time % 1e-4 < 60e-6, 3.3, 0.0)
    rng = np.random.default_rng(204)
    captures = []
    for shot in range(250):
        volts = usual.copy()
        if shot in RARE_AT:
            volts[np.abs(time - RARE_AT[shot]) < 5e-7] = 0.2
        codes = np.clip(np.round((volts + rng.normal(0, 0.004, time.size) - 2.0) / (8 / 256)), -128, 127)
        wave = Waveform(
            codes.astype(np.int8), gain=8 / 256, offset=2.0, interval=4e-8, name="enable", code_range=(-128, 127)
        )  # fmt: skip
        captures.append(Capture({"enable": wave}))
    measurement = parse_recipe(RARE, "r.yaml").measurements[0]
    one = MeasurementOutcome("density", shots=250, results=evaluate(measurement, captures))
    number = one.results[0].decisive_shot
    return one, DrawnShot(one, measurement, captures, number, ExaminedShot(captures[number], measurement), "m1")


@pytest.fixture(scope="module")
def rare() -> tuple[MeasurementOutcome, DrawnShot]:
    return rare_shots()


def test_a_rare_path_is_outlined_in_the_trace_of_its_shot(rare: tuple[MeasurementOutcome, DrawnShot]) -> None:
    one, subject = rare
    assert one.results[0].reading.value == 4
    (outline,) = (mark for mark in marks_of(subject)["enable"] if isinstance(mark, OutlineMark))
    assert outline.label == f"rare path of shot {subject.number + 1}"
    at = RARE_AT[subject.number]
    assert outline.times[0] < at < outline.times[-1]
    assert outline.lows.min() <= 0.2 <= outline.highs.max()


def test_title_words_and_outlines_name_the_shots_that_the_table_counts(
    rare: tuple[MeasurementOutcome, DrawnShot],
) -> None:
    one, subject = rare
    from dataclasses import replace

    from tests.logbook.made_outcomes import origin, outcome

    told = replace(
        outcome(), recipe=origin("r.yaml", RARE), parameters={}, measurements=(one,),
        captures={"density": subject.shots},
    )  # fmt: skip
    recipe = parse_stored_recipe(RARE, "r.yaml", set={})
    trace, density = pictures_of(told, one, recipe, anchor="m1", budget=0)
    shots = {str(shot + 1) for shot in RARE_AT}
    assert trace.title.startswith(f"Shot {subject.number + 1} of 250, one of the 4 that decided: ")
    assert set(trace.title.rsplit(": ", 1)[1].split(", ")) == shots
    labels = {mark.label.removeprefix("shot ") for mark in density.panels[0].marks if isinstance(mark, OutlineMark)}
    assert labels == shots
    assert set(density.description.rsplit(": ", 1)[1].rstrip(".").split(", ")) == shots


def test_the_last_digit_of_a_converter_does_not_look_like_a_signal() -> None:
    codes = np.tile(np.array([3, 4], dtype=np.int8), 500)
    wave = Waveform(codes, gain=0.04, interval=1e-6, name="feed")
    (panel,) = trace_picture({"feed": wave}, trigger_time=0.0, name="a", title="a").panels
    assert panel.axis.high - panel.axis.low >= 24 * 0.04
    assert panel.axis.low < 3 * 0.04 < 4 * 0.04 < panel.axis.high


def test_a_tone_has_its_limits_in_the_spectrum() -> None:
    outcome = reported()
    recipe = parse_stored_recipe(outcome.recipe.text, outcome.recipe.file, set=outcome.parameters)
    pictures = list(pictures_of(outcome, outcome.measurements[0], recipe, anchor="m1", budget=0))
    (spectrum,) = (picture for picture in pictures if picture.name == "m1-spectrum1")
    limits = [mark.at for mark in spectrum.panels[0].marks if isinstance(mark, InstantMark)]
    assert limits == [pytest.approx(323e3), pytest.approx(357e3)]  # math: 340 kHz ± 5 %
    (tone,) = (mark for mark in spectrum.panels[0].marks if isinstance(mark, SpanMark))
    assert tone.first == pytest.approx(340e3, rel=1e-3)
    assert "limit 340 kHz ± 5 %" in spectrum.description
