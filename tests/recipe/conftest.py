"""A recipe on disk, and what is said about it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from wavewright.errors import WavewrightError
from wavewright.recipe.load import load_recipe

HEAD = """\
wavewright: 1
title: VC-204 end-of-line check
part: VC-204
needs: {digitizer: {inputs: 2}, supply: {}}
parameters:
  duty: {default: 40 %, about: coil drive set by the controller}
measurements:
"""

RAIL_NOISE = """\
  rail_noise:
    place: Probe 1 on TP3 with the short ground spring.
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV, offset: 0 V, probe: 1x, bandwidth_limit: 20 MHz}
    timebase: {span: 2 ms, rate: 25 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 0 V}
    shots: 16
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV, over: max}
"""

COIL_DRIVE = """\
  coil_drive:
    channels: {drive: {input: 1, range: auto}}
    timebase: {cycles: 20}
    trigger: {mode: auto, on: drive, edge: rising, level: auto}
    for_each: {duty: [10 %, 40 %, 90 %]}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: $duty}}]
    compute:
      duty_factor: {of: drive, limit: $duty ± 1 pp}
"""


@pytest.fixture
def in_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own that the test stands in, so that messages name files without a path."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def complaint(in_folder: Path) -> Callable[[str | bytes], str]:
    """What `load_recipe` says about a file with the given content."""

    def say(content: str | bytes) -> str:
        raw = content if isinstance(content, bytes) else content.encode()
        (in_folder / "recipe.yaml").write_bytes(raw)
        with pytest.raises(WavewrightError) as caught:
            load_recipe("recipe.yaml")
        return str(caught.value)

    return say
