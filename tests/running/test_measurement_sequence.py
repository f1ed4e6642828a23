"""The next measurement is set up while the last shot of one is evaluated: nothing but the time differs by that."""

from __future__ import annotations

import io
import json
import signal
import threading
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from tests.running.test_overlapped_shots import Notes, Shots, dialogue
from wavewright.analysis.reading import Reading
from wavewright.errors import LinkLost, NotMeasurable, SetOtherwise, StorageFault, TimeUp
from wavewright.instruments.spent_time import TimePart
from wavewright.logbook.outcome_files import measurement_as_json
from wavewright.running import measurement_sequence, measurement_setup, measurement_steps
from wavewright.running.instrument_settings import configure
from wavewright.running.outcome import Outcome
from wavewright.running.overlapped_shots import OverlappedShots

Run = Callable[..., Outcome]
# The first two need neither a person nor a stimulus; the third needs both, the fourth is set up after a stimulus.
FOUR = """
wavewright: 1
title: Set up ahead
measurements:
  first:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 20 us, rate: 5 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 3 V}
    shots: 2
    compute: {level: {metric: mean, of: rail, limit: 3.2 V .. 3.4 V}}
  second:
    channels: {rail: {input: 1, range: auto, probe: 10x}}
    timebase: {span: 40 us, rate: 5 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 2.5 V}
    compute: {level: {metric: mean, of: rail, limit: at most 3 V}}
  third:
    place: Probe 1 on TP4.
    channels: {drive: {input: 1, range: 40 V, offset: 12 V, probe: 10x}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 1 ms}]
    shots: 2
    compute: {high: {metric: maximum, of: drive}}
  fourth:
    channels: {drive: {input: 1, range: 40 V, offset: 12 V, probe: 10x}}
    timebase: {span: 100 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3 V}
    compute: {low: {metric: minimum, of: drive}}
"""
LABELS = ["first", "second", "third", "fourth"]


class Lines(io.StringIO):
    """A wire log that calls a function with each line."""

    def __init__(self, seen: Callable[[str], None]) -> None:
        super().__init__()
        self._seen = seen

    def write(self, text: str) -> int:
        count = super().write(text)
        self._seen(text)
        return count


class Desk(Notes):
    """A store that is the operator's desk too: what was recorded, asked and sent, in one list."""

    def __init__(self) -> None:
        super().__init__()
        self.wire_log = Lines(self.sent)
        self.in_order: list[str] = []
        self.sends: Callable[[str], object] = lambda line: None
        self.reads: Callable[[str], object] = lambda label: None

    def sent(self, line: str) -> None:
        self.in_order.append(line.rsplit("\t", maxsplit=1)[-1].strip())
        self.sends(line)

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        self.reads(label)
        super().read(label, readings)

    def measured(self, measurement: Any) -> None:
        super().measured(measurement)
        self.in_order.append(f"measured {measurement.label}")

    def confirm(self, text: str) -> None:
        self.in_order.append(f"asked {text}")

    def say(self, text: str) -> None:
        pass


def found(run_text: Run, store: Desk, **how: Any) -> tuple[str, list[dict[str, Any]]]:
    """Why it ended early, and the measurements but for their times."""
    outcome = run_text(FOUR, seed=204, store=store, desk=store, **how)
    return outcome.error, plain(outcome)


def plain(outcome: Outcome) -> list[dict[str, Any]]:
    return [{**measurement_as_json(one), "seconds": 0, "times": {}} for one in outcome.measurements]


def one_after_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measurement_sequence, "LOOKS_AHEAD", False)


def is_on(store: Desk) -> bool:
    """What was last sent about the supply's output."""
    return [line for line in store.in_order if line.startswith("OUTPut:STATe ")][-1].startswith("OUTPut:STATe 1")


def when_set_up(measurement: int, then: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> None:
    """Call a function once the digitizer has been set for a measurement, which is counted from 1."""
    count = [0]

    def noted(digitizer: Any, setup: Any, record: Any, **how: Any) -> None:
        configure(digitizer, setup, record, **how)
        count[0] += 1
        if count[0] == measurement:
            then()

    monkeypatch.setattr(measurement_setup, "configure", noted)


def at_the_last_shot_of_the_first(store: Desk, then: Callable[[], object]) -> None:
    """Call a function in the thread that evaluates, when the readings of that shot are to be kept."""
    shots: list[str] = []

    def reads(label: str) -> None:
        shots.append(label)
        if shots == ["first", "first"]:
            then()

    store.reads = reads


def test_nothing_but_the_time_differs_from_one_after_the_other(run_text: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def all_of_it() -> tuple[Any, ...]:
        store, progress = Desk(), Shots()
        error, measurements = found(run_text, store, progress=progress)
        return error, json.dumps(measurements), store.told, progress.told, dialogue(store)

    ahead = all_of_it()
    one_after_the_other(monkeypatch)
    after = all_of_it()
    assert [one["name"] for one in json.loads(ahead[1])] == LABELS
    for one, other in zip(ahead, after, strict=True):
        assert one == other


def test_the_digitizer_is_set_while_the_last_shot_before_is_evaluated(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given readings of the last shot that are there only once the next measurement is set up
    is_set_up, store = threading.Event(), Desk()

    def evaluated() -> None:
        assert is_set_up.wait(60)
        store.in_order.append("evaluated")

    at_the_last_shot_of_the_first(store, evaluated)
    when_set_up(2, is_set_up.set, monkeypatch)
    error, measurements = found(run_text, store)
    assert (error, [one["name"] for one in measurements]) == ("", LABELS)
    assert [one["verdict"] for one in measurements[:2]] == ["pass", "fail"]
    # then what the first was to ask of the instruments came before the known state and the first setting of the second
    told = store.in_order
    resets = [place for place, line in enumerate(told) if line == "*RST\\n"]  # two instruments, once per measurement
    reset = resets[2]
    last_shot = max(place for place, line in enumerate(told[:reset]) if line.startswith("SENSe:DATA?"))
    # with each shot comes what it needs of range and rate; the coupling is asked for only where everything is
    end = next(place for place, line in enumerate(told) if place > last_shot and "COUPling?" in line)
    setting = next(
        place for place, line in enumerate(told) if place > reset and line.startswith("SENSe1:VOLTage:RANGe")
    )
    assert last_shot < end < reset < setting < told.index("evaluated") < told.index("measured first")
    # and the shot of the second came after that
    assert "INITiate\\n" in told[told.index("measured first") : told.index("measured second")]


def test_a_person_is_asked_and_a_stimulus_given_after_the_measurement_before_is_recorded(run_text: Run) -> None:
    # given readings of the second that are there only once all instruments are in the known state for the third
    is_reset, resets, store = threading.Event(), [0], Desk()

    def sends(line: str) -> None:
        if "FORMat:DATA" in line:  # the end of the known state
            resets[0] += 1
            if resets[0] == 3:
                is_reset.set()

    store.sends = sends
    store.reads = lambda label: label != "second" or is_reset.wait(60)
    found(run_text, store)
    told = store.in_order
    assert told.index("measured second") < told.index("asked Probe 1 on TP4. Input 1: drive, probe 10x.")
    assert told.index("measured second") < told.index("OUTPut:STATe 1\\n")
    # and with the stimulus off
    assert told.index("OUTPut:STATe 1\\n") < told.index("OUTPut:STATe 0\\n", told.index("OUTPut:STATe 1\\n"))


@pytest.mark.parametrize("ahead", [True, False])
def test_a_disk_that_is_full_for_the_last_shot_ends_the_run_before_the_next(
    run_text: Run, ahead: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, is_set_up = Desk(), threading.Event()

    def full() -> None:
        assert not ahead or is_set_up.wait(60)
        raise StorageFault("the evidence cannot be written: No space left on device")

    at_the_last_shot_of_the_first(store, full)
    when_set_up(2, is_set_up.set, monkeypatch)
    if not ahead:
        one_after_the_other(monkeypatch)
    error, measurements = found(run_text, store)
    assert error == "the evidence cannot be written: No space left on device"
    (one,) = measurements
    assert one["error"] == f"{error}; 2 of 2 shots were taken"
    assert "measured second" not in store.in_order
    assert not is_on(store)


def test_after_a_measurement_that_failed_the_next_is_set_up_anew(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def both_ways() -> Any:
        store, progress = Desk(), Shots()
        with pytest.MonkeyPatch.context() as patch:
            is_set_up = threading.Event()

            def fails() -> None:
                assert not measurement_sequence.LOOKS_AHEAD or is_set_up.wait(60)
                raise NotMeasurable("nothing to be seen")

            at_the_last_shot_of_the_first(store, fails)
            when_set_up(2, is_set_up.set, patch)
            error, measurements = found(run_text, store, progress=progress)
            # noise goes on with the records of the set-up that was in vain, so what comes after differs in its digits
            rest = [(one["name"], one["verdict"], one["error"], one["shots"]) for one in measurements]
            told = [entry if entry[0] == "measured" else entry[0] for entry in store.told]
            return error, measurements[0], rest, told, progress.told, store.in_order

    *ahead, sent_ahead = both_ways()
    one_after_the_other(monkeypatch)
    *after, sent_after = both_ways()
    assert ahead == after
    first, second, *_ = ahead[2]
    assert first == ("first", "error", "nothing to be seen; 2 of 2 shots were taken", 2)
    assert second == ("second", "fail", "", 1)
    # and it was: both instruments were brought to the known state once more than there are measurements
    assert sent_ahead.count("*RST\\n") == sent_after.count("*RST\\n") + 2 == 2 * (len(LABELS) + 1)


@pytest.mark.parametrize(
    "fault, names",
    [(SetOtherwise("it is set to something else"), LABELS), (LinkLost("it has gone"), ["first"])],
    ids=["passing", "ending"],
)
def test_a_set_up_that_fails_leaves_the_measurement_before_whole(
    run_text: Run, fault: Exception, names: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def both_ways() -> Any:
        store, progress, has_failed = Desk(), Shots(), threading.Event()

        def fails() -> None:
            has_failed.set()
            raise fault

        if measurement_sequence.LOOKS_AHEAD:
            at_the_last_shot_of_the_first(store, lambda: has_failed.wait(60))
        with pytest.MonkeyPatch.context() as patch:
            when_set_up(2, fails, patch)
            return *found(run_text, store, progress=progress), store.told, progress.told

    ahead = both_ways()
    one_after_the_other(monkeypatch)
    assert ahead == both_ways()
    error, measurements, *_ = ahead
    assert [one["name"] for one in measurements] == names
    assert (measurements[0]["verdict"], measurements[0]["error"]) == ("pass", "")
    assert error == ("it has gone" if names == ["first"] else "")


def test_a_defect_in_the_set_up_leaves_the_measurement_before_recorded(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, has_failed = Desk(), threading.Event()

    def fails() -> None:
        has_failed.set()
        raise ZeroDivisionError("a plug-in's")

    at_the_last_shot_of_the_first(store, lambda: has_failed.wait(60))
    when_set_up(2, fails, monkeypatch)
    with pytest.raises(ZeroDivisionError, match="plug-in"):
        found(run_text, store)
    assert ("measured", "first") in store.told
    assert not is_on(store)


def ctrl_c() -> None:
    signal.raise_signal(signal.SIGINT)


def time_is_up() -> None:
    raise TimeUp("the run has not ended within 1 s")


@pytest.mark.parametrize(
    "ends, words", [(ctrl_c, "interrupted by SIGINT"), (time_is_up, "the run has not ended within 1 s")]
)
def test_what_ends_the_run_while_the_last_shot_is_evaluated_cuts_that_measurement_short(
    run_text: Run, ends: Callable[[], None], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given that it comes in the set-up of the second, and that the first has a shot evaluated once outputs are off
    store, has_come, is_off = Desk(), threading.Event(), threading.Event()

    def sends(line: str) -> None:
        if has_come.is_set() and "OUTPut:STATe 0" in line:
            is_off.set()

    def comes() -> None:
        has_come.set()
        ends()

    store.sends = sends
    at_the_last_shot_of_the_first(store, lambda: is_off.wait(60))
    when_set_up(2, comes, monkeypatch)
    error, measurements = found(run_text, store)
    assert error == words
    (one,) = measurements
    assert (one["verdict"], one["error"]) == ("error", f"{words}; 2 of 2 shots were taken")
    assert not is_on(store)


@pytest.mark.parametrize(
    "ends, words", [(ctrl_c, "interrupted by SIGINT"), (time_is_up, "the run has not ended within 1 s")]
)
def test_what_ends_the_run_after_the_last_shot_is_evaluated_leaves_that_measurement_whole(
    run_text: Run, ends: Callable[[], None], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, shots = Desk(), list[OverlappedShots[Any]]()

    class Noted(OverlappedShots[Any]):
        def __init__(self, *given: Any, **how: Any) -> None:
            super().__init__(*given, **how)
            shots.append(self)

    def comes() -> None:
        assert shots[0].settle(60)
        ends()

    monkeypatch.setattr(measurement_steps, "OverlappedShots", Noted)
    when_set_up(2, comes, monkeypatch)
    error, measurements = found(run_text, store)
    assert error == words
    assert [(one["name"], one["verdict"], one["error"]) for one in measurements] == [("first", "pass", "")]
    assert ("measured", "first") in store.told


@pytest.mark.parametrize("measurement, share", [(1, 0.9), (2, 0.1), (2, 0.4), (2, 0.6), (2, 0.9), (3, 0.1), (4, 0.1)])
def test_a_signal_at_any_message_leaves_whole_measurements_and_outputs_off(
    run_text: Run, measurement: int, share: float
) -> None:
    """Each measurement has 15 messages or more from its known state on, which is where it begins."""
    store, count = Desk(), [0, 0]

    def sends(line: str) -> None:
        if "\t>\t" in line:
            is_first = line.rstrip().endswith("digitizer\t>\t*RST\\n")
            count[:] = [count[0] + 1, 0] if is_first else [count[0], count[1] + 1]
            if count == [measurement, int(15 * share)]:
                signal.raise_signal(signal.SIGINT)

    store.sends = sends
    error, measurements = found(run_text, store)
    assert error == "interrupted by SIGINT"
    assert [one["name"] for one in measurements] == LABELS[: len(measurements)]
    assert all(not one["error"] for one in measurements[:-1])
    assert not is_on(store)
    # what was recorded is what the outcome has, but for one that was cut short
    recorded = [label for kind, label in store.told if kind == "measured"]
    assert recorded == [one["name"] for one in measurements if not one["error"]]
    for thread in threading.enumerate():
        if thread.name == "evaluates shots":
            thread.join(60)
            assert not thread.is_alive()


def test_the_times_of_the_measurements_are_parts_of_the_whole(run_text: Run) -> None:
    outcome = run_text(FOUR, seed=204, store=Desk())
    for part in TimePart:
        assert 0 <= sum(one.times[part] for one in outcome.measurements) <= outcome.times[part] + 1e-9
    assert all(one.seconds > 0 for one in outcome.measurements)


def test_a_run_that_stops_at_the_first_failure_sets_nothing_up_ahead(run_text: Run) -> None:
    store = Desk()
    _, measurements = found(run_text, store, stop_at_first=True)
    assert [one["name"] for one in measurements] == ["first", "second"]
    told = store.in_order
    assert "*RST\\n" not in told[told.index("measured second") :]
    assert told[: told.index("measured second")].count("*RST\\n") == 2 * 2
