"""Evidence folders are thinned out by the same rules; what is not a pass, or still waits, stays whole."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import START, outcome
from wavewright.errors import StorageFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.intake import Imported, import_outcomes
from wavewright.logbook.outcome_files import CAPTURES, OUTCOME, THINNED, WIRE_LOG, read_outcome
from wavewright.logbook.queries import Filter
from wavewright.logbook.retention import Retention
from wavewright.logbook.spool import put_aside
from wavewright.logbook.spool_folder import FOLDER
from wavewright.logbook.thinned_evidence import thin_evidence
from wavewright.running.outcome import Outcome

NOW = START + timedelta(days=400)
ALL = Retention(older_than=0)


def kept(parent: Path, made: Outcome) -> Outcome:
    with Evidence(parent, started=made.started, recipe="rail", serial=made.serial) as evidence:
        for shot in made.captures["rail_noise"]:
            evidence.keep("rail_noise", shot)
        return evidence.finish(made)


@pytest.fixture
def parent(tmp_path: Path) -> Path:
    """A pass, a fail and an inconclusive run."""
    folder = tmp_path / "outcomes"
    for number, value in enumerate((0.024, 0.045, None)):
        kept(folder, outcome(number, seed=number, value=value))
    return folder


def whole(parent: Path) -> list[str]:
    return sorted(path.parent.name[-1] for path in parent.glob(f"*/{CAPTURES}"))


def test_captures_of_passes_go_and_a_note_stays(parent: Path, tmp_path: Path) -> None:
    would = thin_evidence(parent, ALL, dry=True, now=NOW)
    assert whole(parent) == ["0", "1", "2"]
    assert thin_evidence(parent, ALL, now=NOW) == would
    assert (would.runs, would.size > 0) == (1, True)
    assert whole(parent) == ["1", "2"]
    (note,) = parent.glob(f"*/{THINNED}")
    assert json.loads(note.read_text()) == {"at": NOW.isoformat(), "rule": "captures of passes older than 0 days"}
    assert {path.name for path in note.parent.iterdir()} == {OUTCOME, WIRE_LOG, THINNED}
    assert read_outcome(note.parent).captures == {}
    with Logbook(tmp_path / "book.sqlite") as book:
        assert import_outcomes(book, note.parent) == Imported(1, 0)
        assert import_outcomes(book, note.parent) == Imported(0, 1)
    assert thin_evidence(parent, ALL, now=NOW).runs == 0


def test_a_fail_that_says_pass_stays(parent: Path) -> None:
    (failed,) = (path for path in parent.glob(f"*/{OUTCOME}") if '"verdict": "fail"' in path.read_text())
    plain = json.loads(failed.read_text())
    plain["verdict"] = "pass"
    failed.write_text(json.dumps(plain))
    thin_evidence(parent, ALL, now=NOW)
    assert whole(parent) == ["1", "2"]


def test_a_folder_that_cannot_be_read_stays(parent: Path) -> None:
    for path in parent.glob(f"*/{OUTCOME}"):
        path.write_text("{")
    assert thin_evidence(parent, ALL, now=NOW).runs == 0
    assert whole(parent) == ["0", "1", "2"]


def test_what_waits_for_a_logbook_stays_until_it_is_entered(parent: Path) -> None:
    (folder,) = (path for path in parent.iterdir() if path.name.endswith("0000"))
    made = replace(read_outcome(folder), folder=folder)
    words = {"station": "line 2", "batch": "", "logbook": "book.sqlite"}
    waits = put_aside(parent / FOLDER, made, identifier="20260302-080000-00000000", **words)
    assert thin_evidence(parent, ALL, now=NOW).runs == 0
    waits.write_text("{")
    with pytest.raises(StorageFault, match="which evidence this waits with cannot be said"):
        thin_evidence(parent, ALL, now=NOW)
    waits.unlink()
    assert thin_evidence(parent, ALL, now=NOW).runs == 1


@pytest.mark.parametrize(
    "which, count",
    [
        (Filter(serial="VC204-*"), 1),
        (Filter(serial="VC20?-0000"), 0),
        (Filter(part="VC-205"), 0),
        (Filter(recipe="rail_ripple"), 1),
        (Filter(until=START), 0),
        (Filter(station="line 2"), 0),
    ],
)
def test_a_filter_narrows_what_goes(parent: Path, which: Filter, count: int) -> None:
    assert thin_evidence(parent, ALL, which, now=NOW).runs == count
