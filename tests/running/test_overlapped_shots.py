"""One shot is evaluated and kept while the next is fetched: nothing but the time differs from one after the other."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from tests.running.test_run import switching
from wavewright.analysis.reading import Reading
from wavewright.errors import StorageFault
from wavewright.instruments import link
from wavewright.instruments.block_reader import read_block
from wavewright.instruments.wire_log import read_wire_log
from wavewright.logbook.outcome_files import measurement_as_json
from wavewright.running import measurement_steps, overlapped_shots, shot
from wavewright.running.interruption import Interrupted
from wavewright.running.outcome import Outcome
from wavewright.running.overlapped_shots import Fence, GivenUp, OverlappedShots
from wavewright.running.run_context import InMemory, Silent
from wavewright.waveform import Capture

Run = Callable[..., Outcome]
CHANNELS = 2  # of POWERED
POWERED = """
wavewright: 1
title: Shots that overlap
measurements:
  powered:
    place: Probe 1 on TP3, probe 2 on TP4.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}, drive: {input: 2, range: 40 V, offset: 12 V}}
    timebase: {span: 1 ms, rate: 5 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 100 ms}]
    shots: 4
    derived: {twice: "2 * rail"}
    compute:
      level: {metric: mean, of: rail, limit: 3.2 V .. 3.4 V}
      doubled: {metric: maximum, of: twice, over: max}
    persistence: {of: rail, mask: {polygons: [[[100 us, 4 V], [200 us, 4 V], [200 us, 6 V]]]}, violations: exactly 0}
    supply: {drawn: {quantity: current, limit: at most 900 mA}}
"""
TELEGRAM = """
wavewright: 1
title: A shot that is chosen
measurements:
  first:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, rate: 1 MHz}
    trigger: {mode: normal, on: tx, edge: falling, level: 1.65 V}
    shots: 3
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even, then: modbus_rtu}}
    keep_if: {line: {holds: "11 03"}, within: 20 shots}
    expect: {line: {holds: "11 03"}}
    compute: {errors: {metric: frame_errors, of: line}, high: {metric: maximum, of: tx}}
"""


class OneAfterTheOther:
    """What it replaces, without a thread: each shot is worked on before the next is fetched."""

    is_busy = False

    def __init__(self, work: Callable[[Any, Fence], None], *, on_fault: Callable[[], None]) -> None:
        self._work = work

    def __enter__(self) -> OneAfterTheOther:
        return self

    def __exit__(self, *fault: object) -> None:
        pass

    def give(self, shot: object) -> None:
        self._work(shot, Fence())

    def begin(self) -> None:
        pass

    def wait(self, check: Callable[[], None]) -> None:
        pass

    def raise_fault(self) -> None:
        pass


class Notes(InMemory):
    """What a store is told, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[tuple[str, str]] = []

    def keep(self, label: str, capture: Capture) -> None:
        super().keep(label, capture)
        self.told.append(("keep", capture[next(iter(capture.waveforms))].codes.tobytes().hex()[:64]))

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        self.told.append(("read", json.dumps({name: one.as_json() for name, one in readings.items()})))

    def measured(self, measurement: Any) -> None:
        self.told.append(("measured", measurement.label))


class Shots(Silent):
    def __init__(self) -> None:
        self.told: list[str] = []

    def begin(self, label: str, *, shots: int) -> None:
        self.told.append(f"begin {label}")

    def shot(self, number: int) -> None:
        self.told.append(f"shot {number}")

    def end(self, outcome: object) -> None:
        self.told.append("end")


def dialogue(store: InMemory) -> list[tuple[str, str, bytes]]:
    store.wire_log.seek(0)
    return [(one.instrument, one.sign, one.data or b"") for one in read_wire_log(store.wire_log)]


@pytest.mark.parametrize("text", [POWERED, TELEGRAM], ids=["powered", "telegram"])
def test_nothing_but_the_time_differs_from_one_after_the_other(
    run_text: Run, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def found() -> tuple[Any, ...]:
        store, progress = Notes(), Shots()
        outcome = run_text(text, seed=204, store=store, progress=progress)
        plain = [measurement_as_json(one) for one in outcome.measurements]
        for one in plain:
            del one["seconds"], one["times"]
        return outcome.error, plain, store.told, progress.told, dialogue(store)

    beside = found()
    monkeypatch.setattr(measurement_steps, "OverlappedShots", OneAfterTheOther)
    after = found()
    assert beside[1][0]["shots"] > 2
    assert beside[1][0]["error"] == ""
    for one, other in zip(beside, after, strict=True):
        assert one == other


class Full(InMemory):
    """A store that takes no readings after some shots."""

    def __init__(self, shots: int, *, before: Callable[[], object] = lambda: None) -> None:
        super().__init__()
        self._left, self._before = shots, before

    def read(self, label: str, readings: Mapping[str, Reading]) -> None:
        if not self._left:
            self._before()
            raise StorageFault("the evidence cannot be written: No space left on device")
        self._left -= 1


def test_a_shot_that_cannot_be_kept_ends_the_run_with_outputs_off(run_text: Run) -> None:
    store = Full(2)
    outcome = run_text(POWERED, store=store)
    assert "No space left" in outcome.error
    (one,) = outcome.measurements
    # its readings had been computed, and count; that of the shot after it does not
    assert (one.shots, len(store.captures["powered"])) == (3, 3)
    assert "3 of 4 shots were taken" in one.error
    assert switching(store, "supply")[-2:] == ["OUTPut:STATe 0", "OUTPut:STATe?"]


def test_a_shot_that_cannot_be_kept_ends_the_wait_for_the_next_one(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a digitizer that waits for a trigger that never comes, which only the fault of the other thread can end
    waits_for_ever = threading.Event()
    acquire = measurement_steps._shot
    taken: list[Capture] = []

    def second_never_comes(*given: Any) -> Capture:
        if taken:
            waits_for_ever.set()
            threading.Event().wait(60)
            raise AssertionError("nobody ended the wait")
        taken.append(acquire(*given))
        return taken[0]

    monkeypatch.setattr(measurement_steps, "_shot", second_never_comes)
    store = Full(0, before=lambda: waits_for_ever.wait(60))
    outcome = run_text(POWERED, store=store)
    assert "No space left" in outcome.error
    assert outcome.measurements[0].shots == 1
    assert switching(store, "supply")[-1] == "OUTPut:STATe?"


def test_a_fault_of_an_earlier_shot_comes_before_that_of_a_later_one(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    fetched = threading.Event()
    acquire, taken = measurement_steps._shot, []

    def second_fails(*given: Any) -> Capture:
        if taken:
            fetched.set()
            raise StorageFault("the second")
        taken.append(1)
        return acquire(*given)

    monkeypatch.setattr(measurement_steps, "_shot", second_fails)
    outcome = run_text(POWERED, store=Full(0, before=lambda: fetched.wait(60)))
    assert "No space left" in outcome.error


def test_an_evaluation_that_hangs_keeps_neither_outputs_on_nor_the_program(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a store that hangs with the second shot, and Ctrl-C while the third is fetched
    for module in (measurement_steps, overlapped_shots):
        monkeypatch.setattr(module, "PATIENCE", 0.2)
    monkeypatch.setattr(measurement_steps, "FIRST_PATIENCE", 0.1)
    go_on, late = threading.Event(), threading.Event()
    acquire, taken = measurement_steps._shot, []

    def third_is_interrupted(*given: Any) -> Capture:
        if len(taken) == 2:
            raise Interrupted(2)
        taken.append(1)
        return acquire(*given)

    compute = shot.ExaminedShot
    examined: list[int] = []

    def hanging(capture: Capture, measurement: Any) -> Any:
        examined.append(1)
        if len(examined) == 2:
            go_on.wait(60)
            late.set()
        return compute(capture, measurement)

    class Hanging(compute):  # type: ignore[valid-type,misc]  # it is asked whether something is one of these
        def __new__(cls, capture: Capture, measurement: Any) -> Any:
            return hanging(capture, measurement)

    monkeypatch.setattr(measurement_steps, "_shot", third_is_interrupted)
    monkeypatch.setattr(measurement_steps, "ExaminedShot", Hanging)
    store = Notes()
    # when the run ends
    outcome = run_text(POWERED, store=store)
    # then the first shot counts, outputs are off, and what the thread does later reaches nothing
    assert "SIGINT" in outcome.error
    assert outcome.measurements[0].shots == 1
    assert switching(store, "supply")[-1] == "OUTPut:STATe?"
    kept = len(store.told)
    go_on.set()
    assert late.wait(60)
    for thread in threading.enumerate():
        if thread.name == "evaluates shots":
            thread.join(60)
            assert not thread.is_alive()
    assert len(store.told) == kept


def test_a_shot_is_begun_when_the_next_record_has_been_asked_for(
    run_text: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a thread that would wait for ever, and second and later records that come when the shot before is evaluated
    monkeypatch.setattr(overlapped_shots, "HEAD_START", threading.TIMEOUT_MAX)
    evaluated = threading.Semaphore(0)
    evaluate, records = measurement_steps._evaluate, []

    def evaluating(*given: Any) -> None:
        evaluate(*given)
        evaluated.release()

    def coming(*given: Any, **options: Any) -> Any:
        records.append(1)
        if len(records) % CHANNELS == 1 and len(records) > CHANNELS:
            assert evaluated.acquire(timeout=60)
        return read_block(*given, **options)

    monkeypatch.setattr(measurement_steps, "_evaluate", evaluating)
    monkeypatch.setattr(link, "read_block", coming)
    outcome = run_text(POWERED)
    assert not outcome.error
    assert outcome.measurements[0].shots == 4
    assert len(records) == 4 * CHANNELS


def test_work_begins_when_it_is_said_or_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(overlapped_shots, "HEAD_START", threading.TIMEOUT_MAX)
    told: list[str] = []
    with OverlappedShots(lambda shot, fence: told.append(shot), on_fault=lambda: None) as beside:
        beside.give("first")
        told.append("asked for the next")
        beside.begin()
        beside.wait(lambda: None)
        beside.give("second")
        told.append("nothing to ask for")
        beside.wait(lambda: None)
        beside.give("third")
        assert beside.settle(60)
    assert told == ["asked for the next", "first", "nothing to ask for", "second", "third"]


def test_shots_are_worked_on_in_order_and_one_at_a_time() -> None:
    seen: list[int] = []
    inside = threading.Semaphore(1)

    def work(shot: int, fence: Fence) -> None:
        assert inside.acquire(blocking=False)
        with fence():
            seen.append(shot)
        inside.release()

    with OverlappedShots(work, on_fault=lambda: None) as beside:
        for number in range(100):
            beside.give(number + 1)
            beside.wait(lambda: None)
    assert seen == list(range(1, 101))


def test_whoever_waits_is_told_the_fault_as_it_was() -> None:
    told: list[str] = []

    def work(shot: int, fence: Fence) -> None:
        raise ZeroDivisionError("a plug-in's")

    with OverlappedShots(work, on_fault=lambda: told.append("fault")) as beside:
        beside.give(1)
        with pytest.raises(ZeroDivisionError, match="plug-in"):
            beside.wait(lambda: None)
    assert told == ["fault"]


def test_the_wait_ends_with_what_the_check_raises() -> None:
    go_on = threading.Event()
    with OverlappedShots(lambda shot, fence: go_on.wait(60) and None, on_fault=lambda: None) as beside:
        beside.give(1)

        def check() -> None:
            raise TimeoutError

        with pytest.raises(TimeoutError):
            beside.wait(check)
        go_on.set()


def test_nothing_begins_inside_a_closed_fence_and_what_has_begun_is_waited_for() -> None:
    fence = Fence()
    with fence():
        assert not fence.close(0.01)
    assert fence.close(0.01)
    with pytest.raises(GivenUp), fence():
        raise AssertionError("it has begun")


def test_evidence_that_is_being_written_and_does_not_end_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(overlapped_shots, "PATIENCE", 0.05)
    go_on, begun = threading.Event(), threading.Event()

    def work(shot: int, fence: Fence) -> None:
        with fence():
            begun.set()
            go_on.wait(60)

    with OverlappedShots(work, on_fault=lambda: None) as beside:
        beside.give(1)
        assert begun.wait(60)
        with pytest.raises(StorageFault, match="not written within"):
            beside.give_up()
        go_on.set()
