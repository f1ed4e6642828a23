"""Parts of one shot that other processes evaluate: alike to the last bit, and here where they cannot be there."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.running.ended_processes import watched
from tests.running.test_evaluation_on_cores import MEASUREMENT, shot
from wavewright.recipe.load import parse_recipe
from wavewright.running import measurement_setup, measurement_steps, shot_companions, shot_findings
from wavewright.running.common_memory import CommonMemory, codes_at
from wavewright.running.outcome import Outcome
from wavewright.running.shot import ExaminedShot
from wavewright.running.shot_companions import ShotCompanions
from wavewright.running.shot_findings import PartFinding, ShotFindings, findings_in
from wavewright.waveform import Capture

WANTED = parse_recipe(MEASUREMENT, "all.yaml").measurements[0]
DRIVE = [0, 1, 2, 6]  # entries of the drive and its copy


@pytest.fixture(autouse=True)
def any_record_is_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shot_findings, "LONG", 1)


@pytest.fixture
def done_here(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The entries that this process evaluates."""
    here: list[str] = []
    real = shot_findings._measured

    def noted(shot: ExaminedShot, wanted: Any) -> Any:
        here.append(wanted.name)
        return real(shot, wanted)

    monkeypatch.setattr(shot_findings, "_measured", noted)
    return here


@pytest.fixture(scope="module")
def companions() -> Iterator[ShotCompanions[PartFinding]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shot_findings, "LONG", 1)
        made = shot_findings.shot_companions(WANTED, cores=2)
    assert made is not None
    with made:
        yield made


def bare(found: ShotFindings) -> ShotFindings:
    return replace(found, readings={name: replace(one, occurrences=None) for name, one in found.readings.items()})


def test_what_needs_no_other_is_found_there_alike(
    companions: ShotCompanions[PartFinding], done_here: list[str]
) -> None:
    for seed in range(3):
        capture = shot(seed, samples=4000 + 5000 * seed)  # which needs more memory each time
        alone = bare(findings_in(ExaminedShot(capture, WANTED), WANTED))
        done_here.clear()
        found = findings_in(ExaminedShot(capture, WANTED), WANTED, cores=2, companions=companions)
        assert repr(bare(found)) == repr(alone)
        entries = list(WANTED.compute)
        # a line that is decoded, and what is derived, stay here
        assert set(done_here) == set(entries) - {entries[number] for number in DRIVE}


def test_a_channel_that_is_lacking_is_found_here(companions: ShotCompanions[PartFinding]) -> None:
    (there,) = companions.at(shot(1, without="copy"), lambda numbers: ("drive", "copy"))
    assert there(DRIVE) is None


def test_work_that_fails_there_is_left(companions: ShotCompanions[PartFinding]) -> None:
    (there,) = companions.at(shot(1), lambda numbers: ("drive",))  # without the copy, which two entries need
    assert there(DRIVE) is None
    (there,) = companions.at(shot(1), lambda numbers: ("drive", "copy"))
    found = there(DRIVE)
    assert found is not None
    assert len(found) == len(DRIVE)


def test_where_memory_is_lacking_all_is_found_here(
    companions: ShotCompanions[PartFinding], done_here: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: CommonMemory, room: int) -> None:
        raise OSError(errno.ENOSPC, "no space left")

    monkeypatch.setattr(CommonMemory, "reserve", full)
    capture = shot(7)
    alone = bare(findings_in(ExaminedShot(capture, WANTED), WANTED))
    done_here.clear()
    found = findings_in(ExaminedShot(capture, WANTED), WANTED, cores=2, companions=companions)
    assert repr(bare(found)) == repr(alone)
    assert set(done_here) == set(WANTED.compute)
    # and so it is where there is none to begin with
    with ShotCompanions(_nothing, 1, room=1) as none:
        assert not none.processes


def _nothing(capture: Capture | None, numbers: Sequence[int]) -> list[int]:
    return []


@pytest.mark.posix("sends a process signals by its number")
@pytest.mark.parametrize("sent", ["SIGKILL", "SIGSTOP"])
def test_after_one_was_killed_or_hangs_all_is_found_here(
    sent: str, done_here: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    if sent == "SIGSTOP":
        monkeypatch.setattr(shot_companions, "PATIENCE", 0.1)
    made = shot_findings.shot_companions(WANTED, cores=2)
    assert made is not None
    with made as companions:
        capture = shot(3)
        alone = bare(findings_in(ExaminedShot(capture, WANTED), WANTED))
        os.kill(companions.processes[0], getattr(signal, sent))
        for _ in range(2):
            done_here.clear()
            found = findings_in(ExaminedShot(capture, WANTED), WANTED, cores=2, companions=companions)
            assert repr(bare(found)) == repr(alone)
            assert set(done_here) == set(WANTED.compute)


@pytest.mark.parametrize("kind", ["i1", "u2", "<i4", "f8"])
def test_codes_lie_in_common_memory_as_they_are(kind: str) -> None:
    memory = CommonMemory()
    try:
        for size in (1, 5000, 0, 20_000):
            arrays = [np.arange(size).astype(kind), (np.arange(size) * 3)[::2].astype(kind)]
            places = memory.put(arrays)
            for one, place in zip(arrays, places, strict=True):
                there = codes_at(place)
                assert there.dtype == one.dtype
                assert np.array_equal(there, one)
            del there
    finally:
        memory.close()


def test_none_is_started_for_what_is_short_or_cannot_be_parted(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shot_findings.shot_companions(WANTED, cores=1) is None
    counted = parse_recipe(f"{MEASUREMENT}    persistence: {{of: drive}}\n", "all.yaml").measurements[0]
    assert shot_findings.shot_companions(counted, cores=2) is None
    monkeypatch.setattr(shot_findings, "LONG", 4001)  # the recipe asks for 4000 samples
    assert shot_findings.shot_companions(WANTED, cores=2) is None


TWO_RAILS = """
wavewright: 1
title: Two points of the board
measurements:
  both:
    place: Probes 1 and 2.
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}, reset: {input: 2, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 25 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 1 V}
    shots: 2
    compute:
      rail_mean: {metric: mean, of: rail}
      rail_top: {metric: maximum, of: rail}
      reset_mean: {metric: mean, of: reset}
      reset_top: {metric: maximum, of: reset}
"""


def test_a_run_has_them_from_before_its_instruments_are_set(
    run_text: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    enter, leave, done = ShotCompanions.__enter__, ShotCompanions.__exit__, shot_companions._Lender.done
    prepare = measurement_setup.prepare_measurement

    def noted(what: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            found = real(*given, **named)
            told.append(what if found is not None or what == "ended" else f"not {what}")
            return found

        return call

    alone = run_text(TWO_RAILS, seed=4)
    monkeypatch.setattr(measurement_steps, "core_count", lambda: 2)
    monkeypatch.setattr(ShotCompanions, "__enter__", noted("started", enter))
    monkeypatch.setattr(ShotCompanions, "__exit__", noted("ended", leave))
    monkeypatch.setattr(shot_companions._Lender, "done", noted("done", done))
    monkeypatch.setattr(measurement_steps, "prepare_measurement", noted("set", prepare))
    beside = run_text(TWO_RAILS, seed=4)
    assert told == ["started", "set", "done", "done", "ended"]
    assert repr(beside.results) == repr(alone.results)


KILLED = """
import signal, sys
from functools import partial
from wavewright.running.shot_companions import ShotCompanions
import json
with ShotCompanions(partial(json.dumps), 2, room=1000) as companions:
    print(*companions.processes, flush=True)
    signal.pause()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the end of a process, and for what it has open")
def test_when_this_process_is_killed_neither_process_nor_memory_is_left() -> None:
    shared = Path("/dev/shm")  # where memory with a name would be
    before = set(shared.iterdir())
    with subprocess.Popen([sys.executable, "-c", KILLED], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        pids = [int(one) for one in process.stdout.readline().split()]
        assert len(pids) == 2
        with watched(pids) as all_ended:
            process.kill()
            assert all_ended()
    assert not {one.name for one in set(shared.iterdir()) - before if "wavewright" in one.name}
