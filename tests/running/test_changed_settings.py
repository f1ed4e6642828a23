"""Settings that somebody changes between two shots: found at the end of the measurement, and no shot of it counts.

The instruments are the tests' own, on real sockets, and speak SCPI-99; nothing of the simulation is in them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.instruments.spoken import OUTPUT, VOLTS, Spoken
from tests.running.test_read_back import RECIPE, Instruments, only
from wavewright.judgement.verdict import Verdict

FOUR_SHOTS = (
    RECIPE.replace("shots: 2", "shots: 4").replace("2 V ± 10 %", "at most 3.9 V").replace("75 mA ± 5 %", "0 A .. 1 A")
)
RECORD = 'SENSe:DATA? "XTIMe:VOLTage 1"'


class AtRecord:
    """Does something when the n-th record is asked for."""

    def __init__(self, done: dict[int, Callable[[], None]]) -> None:
        self._done, self._count = done, 0

    def __call__(self) -> None:
        self._count += 1
        if self._count in self._done:
            self._done[self._count]()


def turned(device: Spoken, header: str, value: str) -> Callable[[], None]:
    """A knob: nothing is told of it."""

    def turn() -> None:
        device.held[header] = value

    return turn


KNOBS = [
    ("digitizer", "SENSe1:VOLTage:RANGe:PTPeak", "8", "input1.range"),
    ("digitizer", "SENSe1:VOLTage:RANGe:OFFSet", "0.1", "input1.offset"),
    ("digitizer", "INPut1:COUPling", "AC", "input1.coupling"),
    ("digitizer", "TRIGger:LEVel", "0.7", "trigger.level"),
    ("digitizer", "SENSe:SWEep:TINTerval", "2E-6", "timebase.interval"),
    ("supply", VOLTS, "3.3", "voltage"),
    ("supply", OUTPUT, "0", "output"),
    ("source", "SOURce:FREQuency:CW", "500", "frequency"),
    ("source", OUTPUT, "0", "output"),
]


@pytest.fixture
def ours() -> Instruments:
    return Instruments()


def trial_records(ours: Instruments, tmp_path: Path) -> int:
    """How many records come before those of the four shots."""
    (tmp_path / "well").mkdir()
    well = Instruments()
    assert well.run(tmp_path / "well", FOUR_SHOTS).verdict is Verdict.PASS
    return well.digitizer.sent.count(RECORD) - 4


@pytest.mark.parametrize("knob", KNOBS, ids=[f"{name} {setting}" for name, _, _, setting in KNOBS])
def test_a_knob_that_is_turned_between_two_shots_voids_them(
    tmp_path: Path, ours: Instruments, knob: tuple[str, str, str, str]
) -> None:
    name, header, value, setting = knob
    first = trial_records(ours, tmp_path) + 2
    ours.digitizer.at[RECORD] = AtRecord({first: turned(ours.by_name[name], header, value)})
    one = only(ours.run(tmp_path, FOUR_SHOTS))
    assert one.verdict is Verdict.ERROR
    is_of_the_scale = setting in ("input1.range", "input1.offset", "timebase.interval")
    assert f"{'taking a record' if is_of_the_scale else 'after the last shot'}: {setting} was" in one.error
    assert f"({name})" in one.error
    assert not one.results


def test_a_knob_that_is_turned_back_before_the_end_is_not_seen(tmp_path: Path, ours: Instruments) -> None:
    # what `guide/robustness.md` says of it: no record tells the level of its trigger
    first = trial_records(ours, tmp_path) + 2
    level = ours.digitizer.held.get("TRIGger:LEVel", "0")
    there, back = (turned(ours.digitizer, "TRIGger:LEVel", value) for value in ("0.7", level))
    ours.digitizer.at[RECORD] = AtRecord({first: there, first + 1: back})
    assert only(ours.run(tmp_path, FOUR_SHOTS)).verdict is Verdict.PASS


def test_an_error_that_no_register_shows_is_found_at_the_end(tmp_path: Path, ours: Instruments) -> None:
    first = trial_records(ours, tmp_path) + 2
    full = ['-310,"System error"', '0,"No error"']
    ours.digitizer.at[RECORD] = AtRecord({first: lambda: ours.digitizer.answers.update({"SYSTem:ERRor?": full})})
    one = only(ours.run(tmp_path, FOUR_SHOTS))
    assert one.verdict is Verdict.ERROR
    assert "after the last shot: the instrument says -310" in one.error


def test_an_output_that_comes_on_by_itself_voids_what_was_to_be_measured_without_it(
    tmp_path: Path, ours: Instruments
) -> None:
    # given a second measurement that leaves all outputs off
    first = trial_records(ours, tmp_path)
    measurement = FOUR_SHOTS[FOUR_SHOTS.index("    channels:") : FOUR_SHOTS.index("    stimulus:")]
    text = f"{FOUR_SHOTS}  without:\n{measurement}    compute: {{swing: {{metric: peak_to_peak}}}}\n"
    for name in ("supply", "source"):
        there = Instruments()
        (folder := tmp_path / name).mkdir()
        # when somebody switches one on between two of its shots
        there.digitizer.at[RECORD] = AtRecord({2 * first + 6: turned(there.by_name[name], OUTPUT, "1")})
        *_, without = there.run(folder, text).measurements
        # then the shots count for nothing
        assert without.verdict is Verdict.ERROR
        assert "after the last shot: output was off and is on now" in without.error
        assert f"({name})" in without.error


def test_an_output_that_goes_off_is_seen_after_a_step_that_says_nothing_of_it(
    tmp_path: Path, ours: Instruments
) -> None:
    text = FOUR_SHOTS.replace("offset: 1 V}}\n", "offset: 1 V}}\n      - {source: {frequency: 3 kHz}}\n")
    assert text != FOUR_SHOTS
    ours.digitizer.at[RECORD] = AtRecord({trial_records(ours, tmp_path) + 2: turned(ours.source, OUTPUT, "0")})
    one = only(ours.run(tmp_path, text))
    assert "after the last shot: output was on and is off now" in one.error
    assert one.verdict is Verdict.ERROR


@pytest.mark.parametrize("quantity", ["VOLTage", "CURRent"])
def test_a_trip_of_a_protection_that_the_recipe_does_not_set_is_no_reason(
    tmp_path: Path, ours: Instruments, quantity: str
) -> None:
    # given a supply that trips between two shots, at a level of its own
    def trip() -> None:
        ours.supply.held[OUTPUT] = "0"
        ours.supply.answers[f"SOURce:{quantity}:PROTection:TRIPped?"] = ["1"]

    ours.digitizer.at[RECORD] = AtRecord({trial_records(ours, tmp_path) + 2: trip})
    # then no shot counts: nobody was to expect that
    one = only(ours.run(tmp_path, FOUR_SHOTS))
    assert one.verdict is Verdict.ERROR
    assert "after the last shot: output was on and is off now" in one.error
