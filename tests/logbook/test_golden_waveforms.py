"""Golden waveforms: one file for each measurement, under a name that every file system holds."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.errors import StorageFault
from wavewright.logbook.formats.catalogue import read_waveforms
from wavewright.logbook.golden_waveforms import keep_golden
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture, Waveform


def named(*labels: str) -> Outcome:
    """An outcome whose measurements are called so."""
    wave = Waveform(np.arange(8, dtype=np.int8), interval=1e-6, name="rail")
    return replace(outcome(), captures={label: [Capture({"rail": wave})] for label in labels})


def test_what_no_file_name_has_on_windows_is_written_as_its_number(tmp_path: Path) -> None:
    # given the characters that Windows reserves ("Naming Files, Paths, and Namespaces", naming conventions †)
    kept = keep_golden(named('rail[load=1 A/2, "x": <3>|?*\\]', "coil[duty=10 %]"), tmp_path)
    assert [path.name for path in kept] == [
        "rail[load=1 A%2F2, %22x%22%3A %3C3%3E%7C%3F%2A%5C].h5",
        "coil[duty=10 %25].h5",
    ]
    assert all(read_waveforms(path) for path in kept)


def test_names_that_differ_in_case_only_never_replace_each_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.name == "posix":  # a file system that takes them for one
        monkeypatch.setattr(Path, "samefile", lambda one, other: str(one).lower() == str(other).lower())
        monkeypatch.setattr(Path, "exists", lambda path: any(path.samefile(one) for one in tmp_path.iterdir()))
    with pytest.raises(StorageFault, match=r"`RAIL` would replace `rail\.h5`: the names differ in case only"):
        keep_golden(named("rail", "RAIL"), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["rail.h5"]
