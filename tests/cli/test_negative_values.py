"""Values below 0 on the command line: times before the trigger, levels below 0 V."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from wavewright.cli.main import negative_values_joined

Command = Callable[..., Spoken]


@pytest.fixture
def ramp(tmp_path: Path) -> Path:
    """A ramp from −2 V to 2 V over 4 ms, the trigger in its middle."""
    lines = ["time,drive", *(f"{(k - 2000) * 1e-6:.6f},{(k - 2000) * 1e-3:.3f}" for k in range(4001))]
    path = tmp_path / "ramp.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    "words", [("--after", "-1 ms"), ("--after", "-1ms"), ("--after=-1 ms",), ("--after", "-.001 s")]
)
def test_a_time_before_the_trigger_is_read(ramp: Path, wavewright: Command, words: tuple[str, ...]) -> None:
    told = wavewright("measure", ramp, "--metric", "slope", *words, "--until", "-500 us", "--json")
    assert told.status == 0, told.stderr
    assert told.json["slope"]["value"] == pytest.approx(1000.0)  # V/s, by the file


@pytest.mark.parametrize("level", ["-1 mV", "-1mV", "-1.5 V"])
def test_a_level_below_zero_is_read(ramp: Path, wavewright: Command, level: str) -> None:
    told = wavewright("measure", ramp, "-m", "rising_edges", "--level", level, "--json")
    assert told.status == 0, told.stderr
    assert told.json["rising_edges"]["value"] == 1


def test_what_is_no_number_stays_an_option() -> None:
    words = ["measure", "x.csv", "-m", "slope", "--each", "-m", "mean", "--after", "-1 ms", "--until", "2 ms", "-3"]
    assert negative_values_joined(words) == [
        "measure", "x.csv", "-m", "slope", "--each", "-m", "mean", "--after=-1 ms", "--until", "2 ms", "-3",
    ]  # fmt: skip
    assert negative_values_joined(["--after=1 ms", "-2"]) == ["--after=1 ms", "-2"]
    assert negative_values_joined(["--", "--after", "-2"]) == ["--", "--after", "-2"]
