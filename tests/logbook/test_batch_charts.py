"""Rules that call while a batch runs: on charts and by counting; they stop it, ask, or are only said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.logbook.line_recipe import MadeLine
from wavewright.errors import Misuse
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.line_notes import NoteKind, notes_in
from wavewright.logbook.verification import verify
from wavewright.reporting.batch import batch_report, study_batch

STATED = "stop_when: {drift: {of: rail_noise.ripple, chart: {centre: 30 mV, sigma: 1 mV}, rules: %s, then: %s}}"
UNITS = [f"A{number}" for number in range(30)]


def readings(*millivolts: float) -> dict[str, float | list[float]]:
    return {serial: one / 1000 for serial, one in zip(UNITS, millivolts, strict=False)}


def test_a_batch_stops_before_the_unit_after_the_call_and_says_why(tmp_path: Path) -> None:
    # given a process that moved by half a sigma: eight units on one side of the centre line
    line = MadeLine(tmp_path, STATED % ("western electric", "stop"), readings(29.8, *[30.5] * 12))
    done = line.run(*UNITS)
    # then the ninth unit is the last, and the call says rule, reading, units and where the chart is
    assert [serial for _, serial, _ in done.runs] == UNITS[:9]
    assert done.stopped == (
        "`drift` calls: rail_noise.ripple 8 in a row on one side: A1, A2, A3, A4, A5, A6, A7, A8; "
        "centre line 30 mV, sigma 1 mV (stated in the recipe)"
    )
    assert done.verdict is Verdict.INCONCLUSIVE, "all units passed; the exit status tells that a rule called"
    assert line.book is not None
    (call,) = notes_in(line.book, NoteKind.CALL)
    assert call.says["serials"] == UNITS[1:9]
    assert not verify(line.book).flaws
    # and its report shows it, with the chart of the rule
    page = batch_report(study_batch(line.book))
    assert "8 in a row on one side" in page
    assert "sigma 1 mV, stated in the recipe" in page


def test_a_rule_that_only_calls_lets_the_batch_go_on(tmp_path: Path) -> None:
    line = MadeLine(tmp_path, STATED % ("1 beyond 3 sigma", "call"), readings(30, 34, 30, 26))
    done = line.run(*UNITS[:5])
    assert (len(done.runs), done.stopped, [call.serials for call in done.calls]) == (5, "", [("A1",), ("A3",)])
    assert done.verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("goes_on, count", [(True, 4), (False, 2)])
def test_a_rule_may_ask_and_the_answer_is_noted(tmp_path: Path, goes_on: bool, count: int) -> None:
    line = MadeLine(tmp_path, STATED % ("shewhart", "ask"), readings(30, 34, 30, 30))
    line.heard.goes_on = goes_on
    assert len(line.run(*UNITS[:4]).runs) == count
    assert line.book is not None
    assert [note.operator for note in notes_in(line.book, NoteKind.ANSWER)] == ["R. Okafor"] * goes_on


def test_a_batch_that_is_resumed_goes_on_after_what_stopped_it(tmp_path: Path) -> None:
    line = MadeLine(tmp_path, STATED % ("shewhart", "stop"), readings(30, 34, 30, 30, 35, 30))
    assert len(line.run(*UNITS[:6]).runs) == 2
    again = line.run(*UNITS[:6])
    assert "rules called 1 times earlier in this batch" in " ".join(line.heard.told)
    assert [serial for _, serial, _ in again.runs] == UNITS[:5], "stopped by the next call, and not by the earlier one"


def test_the_first_units_set_the_limits_once(tmp_path: Path) -> None:
    words = "stop_when: {drift: {of: rail_noise.ripple, chart: {first: 10}, rules: shewhart}}"
    first = [30.0, 31.0] * 5
    line = MadeLine(tmp_path, words, readings(*first, *[30.5] * 10, 36))
    line.run(*UNITS[:15])
    assert line.book is not None
    (note,) = notes_in(line.book, NoteKind.LIMITS)
    # math: mean 30.5 mV, every moving range 1 mV, sigma 1 mV / d2(2) = 1 mV / 1.128
    assert note.says["centre"] == pytest.approx(30.5e-3)
    assert note.says["sigma"] == pytest.approx(1e-3 / 1.12838, rel=1e-4)
    assert note.says["source"] == "the first 10 units of this batch"
    # when the batch goes on, the later units move nothing
    done = line.run(*UNITS[15:21])
    assert [note.id] == [one.id for one in notes_in(line.book, NoteKind.LIMITS)]
    assert done.calls[0].serials == ("A20",)


def test_first_units_that_do_not_scatter_are_refused_and_do_not_watch_in_silence(tmp_path: Path) -> None:
    words = "stop_when: {drift: {of: rail_noise.ripple, chart: {first: 10}, rules: shewhart}}"
    done = MadeLine(tmp_path, words, readings(*[30.0] * 20)).run(*UNITS[:20])
    assert len(done.runs) == 10
    assert "do not scatter" in done.stopped
    assert done.verdict is Verdict.ERROR


def test_a_kept_batch_sets_the_limits_or_the_batch_does_not_begin(tmp_path: Path) -> None:
    words = "stop_when: {drift: {of: rail_noise.ripple, chart: {batch: lot-6}, rules: shewhart}}"
    rng = np.random.default_rng(204)
    book = Logbook(tmp_path / "logbook.sqlite")
    kept = MadeLine(tmp_path, "", readings(*rng.normal(30, 1, 25)), batch="lot-6", book=book)
    kept.run(*UNITS[:9])
    refused = MadeLine(tmp_path, words, batch="lot-7", book=book).run("B1")
    assert not refused.runs
    assert "batch `lot-6` has 9 units with `rail_noise.ripple`" in refused.stopped
    kept.run(*UNITS[9:25])
    values = [kept.values[serial] for serial in UNITS[:25]]
    line = MadeLine(tmp_path, words, {"B1": 0.030, "B2": 0.038}, batch="lot-7", book=book)
    done = line.run("B1", "B2", "B3")
    (note,) = notes_in(book, NoteKind.LIMITS)
    assert note.says["centre"] == pytest.approx(np.mean(values))
    assert note.says["sigma"] == pytest.approx(np.abs(np.diff(values)).mean() / 1.12838, rel=1e-4)
    assert done.calls[0].serials == ("B2",)
    assert "the 25 units of batch lot-6" in done.stopped


@pytest.mark.parametrize(
    "words, bad, stops_after",
    [
        ("{failed: 3 in a row}", (1, 3, 4, 5), 6),
        ("{failed: 2 of the last 4}", (0, 5, 8), 9),
        ("{failed: 2 in a row, of: rail_noise.ripple}", (3, 4), 5),
        ("{failed: 2 in a row, of: each}", (3, 4), 5),
        ("{failed: 2 in a row, counting: [error]}", (3, 4), 12),
    ],
)
def test_counting_rules(tmp_path: Path, words: str, bad: tuple[int, ...], stops_after: int) -> None:
    line = MadeLine(tmp_path, f"stop_when: {{fixture: {words}}}", {UNITS[number]: 0.045 for number in bad})
    assert len(line.run(*UNITS[:12]).runs) == stops_after


def test_a_retest_is_no_new_point_and_does_not_hide_the_first_result(tmp_path: Path) -> None:
    # given units that fail once and pass in the retest: the fixture is worn
    words = "stop_when: {fixture: {failed: 3 in a row}}\nretest: {at_most: 1, when: [fail], verdict: last}"
    line = MadeLine(tmp_path, words, {serial: [0.045, 0.030] for serial in UNITS})
    done = line.run(*UNITS[:9])
    assert len(done.units) == 3
    assert set(done.units.values()) == {Verdict.PASS}
    assert done.stopped.startswith("`fixture` calls: 3 in a row: A0, A1, A2")


def test_what_another_station_ran_counts_unless_told_otherwise(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.sqlite")
    for stations, stops_after in (("all", 1), ("own", 3)):
        words = f"stop_when: {{fixture: {{failed: 3 in a row, stations: {stations}}}}}"
        bad = dict.fromkeys((*UNITS, "B0", "B1", "B2", "B3"), 0.045)
        other = MadeLine(tmp_path, "", bad, station="line_2", batch=stations, book=book)
        for serial in ("B0", "B1"):
            other.run_one(serial)
        here = MadeLine(tmp_path, words, bad, station="line_1", batch=stations, book=book)
        here._numbers = iter(range(500, 600))
        done = here.run("B2", "B3", *UNITS[:4])
        assert len([one for one in done.runs if one[1] not in ("B0", "B1")]) == stops_after


def test_while_the_logbook_is_away_what_is_known_here_counts(tmp_path: Path) -> None:
    line = MadeLine(tmp_path, STATED % ("shewhart", "stop"), readings(30, 30, 36))
    assert line.book is not None
    charts = line.line().charts
    charts.begin()
    made = [line.run_one(serial) for serial in UNITS[:3]]
    line.book.close()
    (tmp_path / "logbook.sqlite").rename(tmp_path / "away.sqlite")
    (tmp_path / "logbook.sqlite").mkdir()
    new = [call for one in made for call in charts.take(one)]
    assert [call.serials for call in new] == [("A2",)]
    # and the call waits in the spool until the logbook is back, and is entered once
    (tmp_path / "logbook.sqlite").rmdir()
    (tmp_path / "away.sqlite").rename(tmp_path / "logbook.sqlite")
    from wavewright.logbook.spool import forward

    with Logbook(tmp_path / "logbook.sqlite") as back:
        assert len(list((tmp_path / "spool").glob("note-*.json"))) == 2, "the limits and the call"
        assert not forward(back, tmp_path / "spool").faults
        assert not forward(back, tmp_path / "spool").faults
        assert [note.says["serials"] for note in notes_in(back, NoteKind.CALL)] == [["A2"]]
        assert not verify(back).flaws


def test_a_forged_note_is_found(tmp_path: Path) -> None:
    line = MadeLine(tmp_path, STATED % ("shewhart", "call"), readings(30, 36))
    line.run(*UNITS[:2])
    assert line.book is not None
    with line.book.writing() as connection:
        connection.exec_driver_sql("""UPDATE links SET note = replace(note, '"A1"', '"A0"') WHERE kind = 'line'""")
    assert any("has changed" in flaw.what for flaw in verify(line.book).flaws)


def test_doubtful_readings_are_no_points_unless_the_recipe_takes_them(tmp_path: Path) -> None:
    from dataclasses import replace

    from wavewright.analysis.doubts import Doubt, Finding

    for doubtful, called in (("left out", 0), ("taken", 1)):
        words = (STATED % ("shewhart", "call")).replace("then:", f"doubtful: {doubtful}, then:")
        line = MadeLine(tmp_path, words, readings(36), batch=doubtful)
        made = line.run_one("A0")
        (one,) = made.measurements
        (result,) = one.results
        reading = replace(
            result.reading, doubts=(Doubt.CLIPPED,),
            findings=(Finding(Doubt.CLIPPED, "3 samples at the end of the converter's range", decides=True),),
        )  # fmt: skip
        result = replace(result, reading=reading, verdict=Verdict.INCONCLUSIVE)
        made = replace(made, id="other", serial="A1", measurements=(replace(one, results=(result,)),))
        charts = line.line().charts
        charts.begin()
        charts.take(made)
        calls = [call for call in charts.calls() if call.serials == ("A1",)]
        assert len(calls) == called
        assert charts.left_out("drift") == 1 - called


def test_a_chart_in_another_unit_is_refused_at_its_place() -> None:
    from tests.logbook.line_recipe import recipe_with
    from wavewright.errors import FileFault

    with pytest.raises(FileFault, match=r"rail_ripple.yaml:3:\d+: `1 Hz` is a frequency"):
        recipe_with((STATED % ("shewhart", "stop")).replace("1 mV", "1 Hz"))
    with pytest.raises(FileFault, match=r"no reading `rail_noise.rippel`"):
        recipe_with((STATED % ("shewhart", "stop")).replace("ripple", "rippel"))
    with pytest.raises(FileFault, match="said in no way, or in more"):
        recipe_with((STATED % ("shewhart", "stop")).replace("sigma: 1 mV", "sigma: 1 mV, first: 20"))


def test_misuse_is_raised_where_a_rule_is_none() -> None:
    from wavewright.recipe.golden_units import read_hours

    assert (read_hours("8 h"), read_hours("30 min"), read_hours("45 s")) == (28800.0, 1800.0, 45.0)
    for words in ("8", "9999 h", "0 s", "a shift"):
        with pytest.raises(Misuse):
            read_hours(words)
