"""`wavewright measure`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Spoken
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

Command = Callable[..., Spoken]


@pytest.fixture
def square(tmp_path: Path) -> Path:
    """A CSV file with a square wave of 1 kHz, 0 V and 5 V, high for a quarter, and its inverse."""
    times = np.arange(20_000) * 1e-6
    drive = np.where(times * 1e3 % 1 < 0.25, 5.0, 0.0)
    lines = ["time,drive,other", *(f"{t:.6f},{v},{5 - v}" for t, v in zip(times, drive, strict=True))]
    path = tmp_path / "square.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_metrics_of_a_file_are_computed(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "--metric", "frequency", "--metric", "duty_factor", "--json")
    # math: the file's square wave has 1 kHz and is high for a quarter
    assert told.status == 0
    assert told.json["frequency"]["value"] == pytest.approx(1e3, rel=1e-6)
    assert told.json["duty_factor"]["value"] == pytest.approx(0.25, abs=2e-3)


def test_a_channel_is_chosen_by_number_or_name(square: Path, wavewright: Command) -> None:
    for channel in ("2", "other"):
        told = wavewright("measure", square, "-m", "duty_factor", "--channel", channel, "--json")
        assert told.json["duty_factor"]["value"] == pytest.approx(0.75, abs=2e-3)


def test_metrics_between_channels_take_two(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "-m", "correlation", "--channel", "1", "--channel", "2", "--json")
    assert told.json["correlation"]["value"] == pytest.approx(-1.0)


@pytest.mark.parametrize("words", [("--low", "20%", "--high", "80%"), ("--low=20 %", "--high=80 %")])
def test_options_of_the_metric_are_passed_on(words: tuple[str, ...], tmp_path: Path, wavewright: Command) -> None:
    # math: on a straight ramp the time from 20 % to 80 % is 0.6 of its duration
    volts = np.concatenate([np.zeros(500), np.linspace(0, 1, 1001), np.ones(500)])
    write_waveforms(tmp_path / "ramp.npz", {"ramp": Waveform.from_volts(volts, interval=1e-6)})
    told = wavewright("measure", tmp_path / "ramp.npz", "-m", "rise_time", *words, "--json")
    assert told.json["rise_time"]["value"] == pytest.approx(0.6e-3, rel=5e-3)


def test_the_table_shows_the_reading_with_its_unit(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "--metric", "frequency")
    name, number, unit, *known = told.stdout.splitlines()[1].split()
    assert (name, float(number), unit) == ("frequency", 1.0, "kHz,")
    assert known[:2] == ["record", "only"]  # nobody has said how accurate the time base is


def test_nothing_to_measure_exits_2_with_the_reason(tmp_path: Path, wavewright: Command) -> None:
    write_waveforms(tmp_path / "flat.npz", {"flat": Waveform.from_volts(np.zeros(100), interval=1e-6)})
    told = wavewright("measure", tmp_path / "flat.npz", "-m", "period", "--json")
    assert told.status == 2
    assert told.json["period"]["value"] is None
    assert told.json["period"]["reason"]


@pytest.mark.parametrize(
    "words, said",
    [
        (("--lwo", "20%"), "unknown option `lwo`"),
        (("--low",), "`--low` has no value"),
        (("low", "20%"), "`low` is not an option"),
        (("--low", "20%", "--low", "30%"), "given twice"),
    ],
)
def test_an_option_that_makes_no_sense_is_wrong_usage(
    words: tuple[str, ...], said: str, square: Path, wavewright: Command
) -> None:
    told = wavewright("measure", square, "-m", "rise_time", *words)
    assert told.status == 64
    assert said in told.stderr


def test_a_file_that_is_not_there_exits_3(tmp_path: Path, wavewright: Command) -> None:
    told = wavewright("measure", tmp_path / "none.csv", "-m", "mean")
    assert told.status == 3
    assert "none.csv" in told.stderr


def test_a_channel_can_be_derived_from_those_of_the_file(square: Path, wavewright: Command) -> None:
    # math: drive - other is +5 V for a quarter and -5 V for the rest: mean -2.5 V; across 0.1 ohm -25 A
    told = wavewright(
        "measure", square, "-m", "mean", "--derive", "coil=(drive - other) / 0.1 ohm", "--channel", "coil", "--json"
    )
    assert told.json["mean"]["unit"] == "A"
    assert told.json["mean"]["value"] == pytest.approx(-25.0, rel=5e-3)


def test_an_accuracy_of_a_derived_channel_is_refused(square: Path, wavewright: Command) -> None:
    # 1 % of a difference is not what 1 % of either channel makes of it
    derived = ("--derive", "across=drive - other", "--channel", "across")
    refused = wavewright("measure", square, "-m", "mean", *derived, "--accuracy", "gain=1 %")
    assert refused.status == 64
    assert "`--accuracy` of `across`, which is derived" in refused.stderr


def test_a_derived_channel_without_an_expression_is_wrong_usage(square: Path, wavewright: Command) -> None:
    assert wavewright("measure", square, "-m", "mean", "--derive", "coil").status == 64


def test_a_file_is_compared_with_another(tmp_path: Path, wavewright: Command) -> None:
    # math: the second is 0.9 times the first, 10 us later
    before = np.sin(2 * np.pi * 1e3 * np.arange(20_000) * 1e-6)
    write_waveforms(tmp_path / "before.npz", {"clock": Waveform.from_volts(before, interval=1e-6, name="clock")})
    now = Waveform.from_volts(0.9 * np.roll(before, 10), interval=1e-6, name="clock")
    write_waveforms(tmp_path / "now.npz", {"clock": now})
    told = wavewright(
        "measure", tmp_path / "now.npz", "-m", "peak_to_peak", "--compare", tmp_path / "before.npz", "--json"
    )
    assert told.json["gain"]["value"] == pytest.approx(0.9, rel=1e-6)
    assert told.json["delay"]["value"] == pytest.approx(10e-6, rel=1e-6)
    assert told.json["change of peak_to_peak"]["value"] == pytest.approx(-0.2, rel=1e-6)


def test_a_mask_is_written_on_the_command_line(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "-m", "spur_margin", "--mask", "[[1 Hz, 1 kV], [1 MHz, 1 kV]]", "--json")
    ten_times = wavewright("measure", square, "-m", "spur_margin", "--mask", "[[1 Hz,10 kV],[1 MHz,10 kV]]", "--json")
    # math: 20 dB for ten times the amplitude
    assert ten_times.json["spur_margin"]["value"] - told.json["spur_margin"]["value"] == pytest.approx(20.0)


@pytest.mark.parametrize("mask", ["[[1 Hz, 1 kV]]", "[[1 Hz, 1 kV], 5]", "[1 Hz, 1 kV]", "none"])
def test_text_that_is_no_mask_is_wrong_usage(mask: str, square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "-m", "spur_margin", "--mask", mask)
    assert told.status == 64
    assert "two or more pairs" in told.stderr


def test_a_reading_is_judged_with_a_guard_band_by_what_is_stated(square: Path, wavewright: Command) -> None:
    # 1 kHz with a time base of 100 ppm: rectangular, U = 0.95 · 0.1 Hz and more from the record
    stated = (
        "measure",
        square,
        "-m",
        "frequency",
        "--accuracy",
        "timebase=100 ppm",
        "--accuracy",
        "gain=0",
        "--accuracy",
        "offset=0 V",
    )
    told = wavewright(*stated, "--limit", "at most 1.01 kHz", "--judge", "guarded acceptance")
    assert told.status == 0, told.stdout + told.stderr
    assert "± " in told.stdout.splitlines()[1]
    assert "pass: margin" in told.stdout
    assert "guarded acceptance with guard 1 U; probability of conformance above 99.99 %" in told.stdout
    near = wavewright(*stated, "--limit", "at most 1.00002 kHz", "--judge", "guarded acceptance", "--json")
    assert near.status == 1
    assert (near.json["frequency"]["verdict"], near.json["frequency"]["rule"]) == (
        "fail",
        "guarded acceptance with guard 1 U",
    )
    assert 0.5 < near.json["frequency"]["conformance"] < 0.95
    assert near.json["frequency"]["expanded_uncertainty"] == pytest.approx(0.115, abs=0.025)


def test_what_nobody_has_stated_is_not_decided(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "-m", "frequency", "--limit", "at most 1.1 kHz", "--judge", "guarded")
    assert told.status == 2
    assert "record only" in told.stdout
    assert wavewright("measure", square, "-m", "frequency", "--limit", "at most 1.1 kHz").status == 0


def test_a_limit_is_of_one_metric_and_an_accuracy_of_what_there_is(square: Path, wavewright: Command) -> None:
    told = wavewright("measure", square, "-m", "frequency", "-m", "mean", "--limit", "at most 1.1 kHz")
    assert told.status == 64
    assert "`--limit` of 2 metrics" in told.stderr
    told = wavewright("measure", square, "-m", "frequency", "--accuracy", "gian=1 %")
    assert "did you mean `gain`?" in told.stderr
