"""A stored run is recomputed alike on one core and on several, damaged captures included."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.reporting.reported import made_capture, reported
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.captures import CaptureFile, KeptCaptures
from wavewright.logbook.outcome_files import measurement_as_json
from wavewright.logbook.recompute import recompute
from wavewright.logbook.stored_shots import HASH, StoredShots
from wavewright.running import companions, evaluation, shot_findings, shots_ahead
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture

SHOTS = 6


@pytest.fixture(params=["copy", "interpreter"])
def found_here(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Several processes for any work, started in each way; one entry for each shot that this one evaluates."""
    monkeypatch.setattr(shots_ahead, "WORTH", 0.0)
    monkeypatch.setattr(shots_ahead, "WORTH_A_COPY", 0.0)
    monkeypatch.setattr(shots_ahead, "MOST_AHEAD", 0)  # this process waits for the others
    for module in (shots_ahead, companions):
        monkeypatch.setattr(module, "can_split", lambda: request.param == "copy")
    here: list[int] = []
    real, process = shot_findings.findings_in, os.getpid()

    def noted(*shot: object, **options: object) -> object:
        if os.getpid() == process:
            here.append(1)
        return real(*shot, **options)  # type: ignore[arg-type]

    for module in (evaluation, shot_findings):
        monkeypatch.setattr(module, "findings_in", noted)
    return here


@pytest.fixture
def run() -> Outcome:
    """A run with a few shots, each with codes of its own."""
    plain = reported(samples=40_000)
    one = replace(plain.measurements[0], shots=SHOTS)
    captures: Mapping[str, Sequence[Capture]] = {
        "rail_noise": [made_capture(number, samples=40_000) for number in range(SHOTS)]
    }
    return replace(plain, measurements=(one,), captures=captures)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook(tmp_path / "book.sqlite") as made:
        yield made


def digits(outcome: Outcome, *, cores: int) -> str:
    """All that is computed, each number by its shortest digits that say it exactly."""
    found = recompute(outcome, cores=cores).outcome
    return json.dumps([measurement_as_json(one) for one in found.measurements], sort_keys=True, ensure_ascii=False)


def test_a_run_of_the_logbook_comes_out_alike(book: Logbook, run: Outcome, found_here: list[int]) -> None:
    identifier = book.enter(run)
    alone = digits(book.outcome(identifier), cores=1)
    found_here.clear()
    assert digits(book.outcome(identifier), cores=2) == alone
    assert len(found_here) == 1  # the first shot, which showed how long one takes


def test_an_evidence_folder_comes_out_alike(tmp_path: Path, run: Outcome, found_here: list[int]) -> None:
    file = CaptureFile(tmp_path / "captures.h5")
    for shot in run.captures["rail_noise"]:
        file.keep("rail_noise", shot)
    file.close()
    kept = replace(run, captures=KeptCaptures(file.path))
    alone = digits(kept, cores=1)
    found_here.clear()
    assert digits(kept, cores=2) == alone
    assert len(found_here) == 1


@pytest.mark.parametrize("found_here", ["copy"], indirect=True)
def test_codes_that_have_changed_are_the_same_fault(book: Logbook, run: Outcome, found_here: list[int]) -> None:
    outcome = book.outcome(book.enter(run))
    shots = outcome.captures["rail_noise"]
    assert isinstance(shots, StoredShots)
    other = tuple({**one, HASH: "0" * 64} if number == 3 else one for number, one in enumerate(shots.shots))
    outcome = replace(outcome, captures={"rail_noise": replace(shots, shots=other)})
    for cores in (1, 2):
        with pytest.raises(StorageFault, match="the captures have changed since they were kept"):
            recompute(outcome, cores=cores)


@pytest.mark.parametrize("found_here", ["copy"], indirect=True)
def test_shots_that_were_not_evaluated_are_left_out(book: Logbook, run: Outcome, found_here: list[int]) -> None:
    cut = replace(run, measurements=(replace(run.measurements[0], shots=SHOTS - 1, error="interrupted"),))
    outcome = book.outcome(book.enter(cut))
    again = recompute(outcome, cores=2).outcome.measurements[0]
    assert {len(result.shots) for result in again.results} == {SHOTS - 1}
    assert digits(outcome, cores=2) == digits(outcome, cores=1)
