"""Golden units: a batch begins only with them as expected, here, now, with this recipe and bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from tests.logbook.line_recipe import HeardLine, MadeLine, recipe_with
from tests.logbook.made_outcomes import outcome
from wavewright.errors import FileFault
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.book import Logbook
from wavewright.logbook.golden_duty import GoldenDuty, GoldenPlace, golden_note, unexpected
from wavewright.logbook.line_notes import LineNote, NoteKind, enter_notes, notes_in
from wavewright.logbook.quarantine import in_quarantine
from wavewright.logbook.unit_admission import UnitAdmission, said_of
from wavewright.recipe.golden_units import GoldenCheck
from wavewright.running.outcome import Outcome

GOOD, BAD = "VC204-9001", "VC204-9002"
WORDS = """\
golden:
  every: 8 h
  units:
    VC204-9002: {known: bad, expect: {rail_noise.ripple: 55 mV ± 3 mV}}
    VC204-9001: {expect: {rail_noise.ripple: 30 mV ± 2 mV}, place: drawer 3}
"""
RECIPE = recipe_with(WORDS)
PLACE = GoldenPlace.of(RECIPE, bench_sha256="bench", station="line_1", simulated=False)
NOW = datetime(2026, 3, 2, 14, 0, tzinfo=UTC)


def check() -> GoldenCheck:
    assert RECIPE.golden is not None
    return RECIPE.golden


def note(serial: str = GOOD, *, hours: float = 1.0, value: float = 0.030, place: GoldenPlace = PLACE) -> LineNote:
    made = outcome(0, serial=serial, value=value)
    return replace(golden_note(made, check().units[serial], place), at=NOW - timedelta(hours=hours))


BOTH = [note(GOOD), note(BAD, value=0.055)]


def due(notes: list[LineNote], *, newest: datetime | None = None, now: datetime = NOW) -> dict[str, str]:
    duty = GoldenDuty(check(), PLACE, now=lambda: now)
    return {one.serial: one.why for one in duty.due(notes, newest)}


def test_nothing_is_due_while_both_were_measured_here_within_their_time() -> None:
    assert due(BOTH) == {}


def test_the_good_unit_comes_first() -> None:
    assert list(due([])) == [GOOD, BAD]


# What must not count for this station now, and what is said of it.
LIES = {
    "another station": ([note(place=replace(PLACE, station="line_2"))], "only at station `line_2`"),
    "another revision": ([note(place=replace(PLACE, recipe_sha256="0"))], "only with another revision of the recipe"),
    "another bench": ([note(place=replace(PLACE, bench_sha256="0"))], "only with another bench file"),
    "another parameter": ([note(place=replace(PLACE, parameters={"duty": "1"}))], "only with other parameters"),
    "another unit": ([note(BAD, value=0.055)], "never measured"),
    "too old": ([note(hours=8.1)], "it was measured 8.1 h ago"),
    "wrong reading": ([note(hours=3), note(hours=1, value=0.033)], "it did not read as expected at 2026-03-02 13:00"),
    "from the future": ([note(hours=-1)], "the clock of this computer"),
}


@pytest.mark.parametrize("lie", LIES)
def test_a_golden_measurement_of_something_else_does_not_count(lie: str) -> None:
    notes, why = LIES[lie]
    assert why in due([*notes, BOTH[1]])[GOOD]


def test_a_simulated_golden_unit_says_nothing_of_a_real_bench() -> None:
    made = replace(outcome(0, serial=GOOD, value=0.030), is_simulated=True)
    simulated = replace(golden_note(made, check().units[GOOD], PLACE), at=NOW - timedelta(hours=1))
    assert "only on a simulated bench" in due([simulated, BOTH[1]])[GOOD]


def test_a_clock_that_was_set_back_makes_no_old_measurement_fresh() -> None:
    # given a golden unit of 13:00, units until 23:00, and a clock that now says 14:00 again
    later = NOW + timedelta(hours=9)
    assert set(due(BOTH, newest=later)) == {GOOD, BAD}
    assert set(due([*BOTH, note(BAD, hours=-9, value=0.055)])) == {GOOD, BAD}


def test_what_was_measured_in_this_session_is_judged_by_a_clock_that_nobody_sets() -> None:
    seconds = [0.0]
    duty = GoldenDuty(check(), PLACE, now=lambda: NOW, running=lambda: seconds[0])
    for serial in (GOOD, BAD):
        duty.measured(serial, as_expected=True)
    assert duty.due([], NOW + timedelta(days=1)) == []
    seconds[0] = 8 * 3600 + 1
    assert [one.serial for one in duty.due([], None)] == [GOOD, BAD]


@pytest.mark.parametrize(
    "serial, value, wrong",
    [
        (GOOD, 0.030, ""), (GOOD, 0.0325, "32.5 mV, expected 30 mV ± 2 mV"), (GOOD, None, "no value"),
        (GOOD, 0.055, "the verdict is fail, expected pass"), (BAD, 0.055, ""),
        (BAD, 0.030, "the verdict is pass, expected fail of a unit known to be bad"),
        (BAD, None, "the verdict is inconclusive, expected fail"),
    ],
)  # fmt: skip
def test_what_a_golden_unit_must_read(serial: str, value: float | None, wrong: str) -> None:
    found = unexpected(outcome(0, serial=serial, value=value), check().units[serial])
    assert (wrong in "; ".join(found)) if wrong else not found


class GoldenLine(MadeLine):
    """A station whose runs are admitted and noted as `run` does it."""

    identity = "bench,digitizer,1,1"

    def run_one(self, serial: str) -> Outcome:
        assert self.book is not None
        assert self.recipe.golden is not None
        golden = self.recipe.golden.units.get(serial)
        batch, self.batch = self.batch, "golden" if golden else self.batch
        made = replace(super().run_one(serial), golden="" if golden is None else str(golden.known))
        made = replace(made, started=datetime.now(UTC), identities={"digitizer": self.identity})
        self.batch = batch
        admission = UnitAdmission(self.records, self.recipe, self.place, batch, "R. Okafor", golden=golden)
        notes = admission.notes(made)
        self.records.journal.write(*notes)
        for line in said_of(notes):
            self.heard.say(line)
        return made


def test_a_batch_begins_with_its_golden_units_and_does_not_count_them(tmp_path: Path) -> None:
    line = GoldenLine(tmp_path, WORDS, {GOOD: 0.030, BAD: 0.055})
    done = line.run("A1", "A2", GOOD)
    assert line.heard.told[0] == (f"GOLDEN UNIT: put in {GOOD} (drawer 3), known to be good; it was never measured")
    assert [serial for _, serial, _ in done.runs] == ["A1", "A2"]
    assert line.heard.golden_runs == [f"{GOOD} pass", f"{BAD} fail"]
    assert done.refused == [(GOOD, "is a golden unit, and not one of the batch")]
    assert done.verdict is Verdict.PASS
    # and a second batch within the shift asks for nothing
    line.heard = HeardLine()
    line.run("A3")
    assert line.heard.told == ["A3 pass"]


@pytest.mark.parametrize(
    "values, why",
    [
        ({GOOD: 0.036, BAD: 0.055}, "did not read as expected: rail_noise.ripple is 36 mV, expected 30 mV ± 2 mV"),
        ({GOOD: 0.030, BAD: 0.030}, f"golden unit {BAD} did not read as expected: the verdict is pass"),
    ],
)
def test_no_unit_is_run_where_golden_units_do_not_read_as_expected(
    tmp_path: Path, values: dict[str, float | list[float]], why: str
) -> None:
    line = GoldenLine(tmp_path, WORDS, values)
    done = line.run("A1")
    assert not done.runs
    assert why in done.stopped
    assert done.verdict is Verdict.ERROR
    assert line.book is not None
    assert sum(not note.says["as_expected"] for note in notes_in(line.book, NoteKind.GOLDEN)) == 3, "each is kept"


def test_a_golden_unit_that_reads_right_when_put_in_again_lets_the_batch_begin(tmp_path: Path) -> None:
    done = GoldenLine(tmp_path, WORDS, {GOOD: [0.036, 0.030], BAD: 0.055}).run("A1")
    assert (len(done.runs), done.verdict) == (1, Verdict.PASS)


def test_a_golden_unit_that_nobody_puts_in_stops_the_batch(tmp_path: Path) -> None:
    line = GoldenLine(tmp_path, WORDS, heard=HeardLine(has_golden=False))
    done = line.run("A1")
    assert (done.runs, done.verdict) == ([], Verdict.ERROR)
    assert "was not put in" in done.stopped


def test_a_golden_unit_that_fails_sets_apart_what_was_run_since_it_last_read_right(tmp_path: Path) -> None:
    words = f"quarantine: [golden unit failed]\n{WORDS}"
    book = Logbook(tmp_path / "logbook.sqlite")
    line = GoldenLine(tmp_path, words, {GOOD: [0.030, 0.036], BAD: 0.055}, book=book)
    # given units of yesterday, and of this and another station since the golden unit was measured
    before = line.values.get("none")
    assert before is None
    line.run("A1", "A2")
    elsewhere = GoldenLine(tmp_path, words, {GOOD: 0.030, BAD: 0.055}, station="line_2", book=book)
    elsewhere.run("C1")
    good = [
        note for note in notes_in(book, NoteKind.GOLDEN) if note.station == "line_1" and note.says["known"] == "good"
    ]
    with book.writing() as connection:  # the made outcomes begin in March: put the two of this station after the unit
        start = datetime.fromisoformat(good[0].says["started"]) + timedelta(seconds=1)
        count = (start - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
        connection.exec_driver_sql(f"UPDATE outcomes SET started = {count} WHERE serial IN ('A1', 'A2', 'C1')")
    # when it does not read as expected at the end of the shift
    line.run_one(GOOD)
    # then those of this station are in quarantine, and a batch does not take them
    assert set(in_quarantine(notes_in(book))) == {"A1", "A2"}
    assert "golden unit VC204-9001 did not read as expected, after it last did at" in str(
        in_quarantine(notes_in(book))["A1"][0].says["reason"]
    )


def test_faults_of_the_file_have_their_place() -> None:
    with pytest.raises(FileFault, match=r"rail_ripple.yaml:7:\d+: `30 mV` alone"):
        recipe_with(WORDS.replace("30 mV ± 2 mV", "30 mV"))
    with pytest.raises(FileFault, match=r"`at most 30 mV` has no tolerance"):
        recipe_with(WORDS.replace("30 mV ± 2 mV", "at most 30 mV"))
    with pytest.raises(FileFault, match=r"no golden unit is known to be good"):
        recipe_with("\n".join(WORDS.splitlines()[:4]))
    with pytest.raises(FileFault, match=r"no reading `rail_noise.ripples`"):
        recipe_with(WORDS.replace("{rail_noise.ripple: 30", "{rail_noise.ripples: 30"))


def test_a_note_is_entered_once(tmp_path: Path) -> None:
    with Logbook(tmp_path / "logbook.sqlite") as book:
        assert enter_notes(book, BOTH) == 2
        assert enter_notes(book, [*BOTH, *BOTH]) == 0
        assert len(notes_in(book)) == 2


def test_another_instrument_makes_the_golden_units_due_again(tmp_path: Path) -> None:
    line = GoldenLine(tmp_path, WORDS, {GOOD: 0.030, BAD: 0.055})
    line.run("A1")
    # given a digitizer that was exchanged within the shift
    line.identity = "bench,digitizer,2,1"
    done = line.run("A2", "A3")
    assert [serial for _, serial, _ in done.runs] == ["A1", "A2"]
    assert "digitizer is `bench,digitizer,2,1`, golden unit" in done.stopped
    assert done.verdict is Verdict.ERROR
    # then they are measured with it before the next unit
    line.heard = HeardLine()
    again = line.run("A3")
    assert sum(word.startswith("GOLDEN UNIT") for word in line.heard.told) == 2
    assert [serial for _, serial, _ in again.runs] == ["A1", "A2", "A3"]
    assert again.verdict is Verdict.PASS


def test_a_command_sets_apart_what_was_run_since_the_golden_unit_read_right(
    wavewright: Callable[..., Spoken], tmp_path: Path
) -> None:
    line = GoldenLine(tmp_path, WORDS, {GOOD: 0.030, BAD: 0.055})
    line.run("A1")
    assert line.book is not None
    (first,) = [note for note in notes_in(line.book, NoteKind.GOLDEN) if note.says["known"] == "good"]
    later = datetime.fromisoformat(first.says["started"]) + timedelta(seconds=1)
    count = (later - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    with line.book.writing() as connection:
        connection.exec_driver_sql(f"UPDATE outcomes SET started = {count} WHERE serial = 'A1'")
    command = ("logbook", "quarantine", "--since-golden", GOOD, "--reason", "dropped", "--operator", "R. Okafor")
    at = ("--logbook", tmp_path / "logbook.sqlite")
    assert "never read as expected at station `line_3`" in wavewright(*command, "--station", "line_3", *at).stderr
    assert wavewright(*command, "--station", "line_1", *at).stdout == "A1: in quarantine\n"
