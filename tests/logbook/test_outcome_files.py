from __future__ import annotations

import json
from pathlib import Path

import pytest

from wavewright.errors import FileFault, StorageFault
from wavewright.logbook.outcome_files import outcome_as_json, outcome_from_json, read_outcome
from wavewright.running.outcome import Outcome


def test_an_outcome_comes_back_from_its_json_as_it_was(outcome: Outcome) -> None:
    text = json.dumps(outcome_as_json(outcome), allow_nan=False)
    back = outcome_from_json(json.loads(text))
    assert outcome_as_json(back) == outcome_as_json(outcome)
    assert back.verdict is outcome.verdict
    assert back.measurements[0].results[0].reading == outcome["rail_noise.ripple"]
    assert back.started == outcome.started


def test_a_folder_without_an_outcome_is_one_clear_message(tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="expected: a folder that a run has written"):
        read_outcome(tmp_path)
    with pytest.raises(StorageFault, match="expected: a folder that a run has written"):
        read_outcome(str(tmp_path))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"wavewright_outcome": 1}', '{"wavewright_outcome": 99}'])
def test_a_file_that_no_run_wrote_is_refused_with_its_name(text: str, tmp_path: Path) -> None:
    (tmp_path / "outcome.json").write_text(text)
    with pytest.raises(FileFault) as caught:
        read_outcome(tmp_path)
    assert str(caught.value).startswith(f"{tmp_path / 'outcome.json'}: ")
