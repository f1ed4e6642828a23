"""A calibration on the simulated bench, whose true errors are known, and everything that must keep it from being kept.

The truth is read from the simulated digitizer itself: its gain, offset and skew were drawn from the bench's seed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

import wavewright as ww
from tests.instruments.test_corrections import bench_in
from wavewright.cli.main import execute
from wavewright.errors import BenchFault, FileFault, Misuse
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.corrections_file import load_corrections
from wavewright.logbook.kept_calibration import Calibration, calibrate
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.running.found_corrections import CalibrationDay, found_corrections
from wavewright.running.run_options import RunOptions
from wavewright.simulation.front_end import InputData
from wavewright.simulation.library import open_library

ROOT = Path(__file__).parents[2]
LEVELS, SKEW = ROOT / "recipes/calibrate_levels.yaml", ROOT / "recipes/calibrate_skew.yaml"
SHORT = ROOT / "recipes/calibrate_offset.yaml"
RANGE = 8.0
ZERO = """
wavewright: 1
title: offset of one input
measurements:
  zero:
    channels: {level: {input: 1, range: 8 V, probe: 10x}}
    timebase: {span: 1 ms, points: 1k}
    stimulus: [{source: {function: triangle, frequency: 1 kHz, amplitude: 2 V, offset: 0 V, output: on}}]
    place: Probe 1 on TP20. Meter on TP20.
    shots: 2
    compute: {level: {metric: mean, of: level, over: mean}}
    meter: {told: {quantity: dc_voltage, over: mean}}
calibration:
  offset_1: {quantity: offset, read: [zero.level], against: [zero.told]}
"""


def built(seed: int) -> dict[int, InputData]:
    """How the inputs of the simulated digitizer really are."""
    return dict(instrument(seed)._data)


def instrument(seed: int) -> Any:
    """The simulated digitizer."""
    settings = {"board": str(ROOT / "sim/vc204.yaml"), "seed": seed}
    library = open_library(str(ROOT / "sim/instruments.yaml"), settings=settings)
    device: Any = next(device for name, device in library.instruments.items() if "digitizer" in name)
    return next(value for value in vars(device).values() if hasattr(value, "_data"))


def calibrated(recipe: Path | str, folder: Path, seed: int = 204, **how: Any) -> Calibration:
    path = folder / "bench.yaml"
    if not path.exists():
        bench_in(folder, None)
        path.write_text(path.read_text().replace("seed: 204", f"seed: {seed}"))
    read = load_recipe(recipe) if isinstance(recipe, Path) else parse_recipe(recipe, "zero.yaml")
    own = {name: how.pop(name) for name in ("valid_for", "is_tried") if name in how}
    options = RunOptions(**{"draw": 11, "out": folder / "out", "operator": "R. Okafor", **how})
    return calibrate(read, load_bench(path, is_corrected=False), options, **own)


@pytest.mark.parametrize("seed", [204, 7])
def test_correction_shrinks_the_error_of_offset_and_gain_at_least_tenfold(seed: int, tmp_path: Path) -> None:
    found = {(one.quantity, one.input): one for one in calibrated(LEVELS, tmp_path, seed).written.new}  # type: ignore[attr-defined]
    for number, truth in built(seed).items():
        gain, offset = found["gain", number], found["offset", number]
        # what is left: (1 + true error) · (1 + correction) − 1, and the true offset plus the correction
        left = (1 + truth.gain_error) * (1 + float(gain.value)) - 1
        assert abs(left) <= abs(truth.gain_error) / 10
        assert abs(left) <= 2 * float(gain.uncertainty)
        rest = truth.offset_error * RANGE + float(offset.value)
        assert abs(rest) <= abs(truth.offset_error * RANGE) / 10
        assert abs(rest) <= 2 * float(offset.uncertainty)
        # and the profile states 1.5 % and 0.5 % of the range: the correction is known far better
        assert float(gain.uncertainty) < 0.015 / 3**0.5 / 10
        assert float(offset.uncertainty) < 0.005 * RANGE / 3**0.5 / 10


def test_what_gain_and_offset_have_in_common_is_written_and_comes_back(tmp_path: Path) -> None:
    """Offset of input 1 read at 2.5 V, with the gain that two levels have told: their errors pull opposite ways."""
    at_zero = 'read: ["level[at=0 V].level_1"], against: ["level[at=0 V].told"]'
    text = LEVELS.read_text().replace("shots: 16", "shots: 2")
    assert at_zero in text
    calibrated(text.replace(at_zero, at_zero.replace("at=0 V", "at=2.5 V")), tmp_path)
    written = load_corrections(tmp_path / "corrections.yaml")[0].corrections
    held = {(one.quantity, one.input): one for one in written}  # type: ignore[attr-defined]
    gain, offset = held["gain", 1], held["offset", 1]
    common = {
        cause: (float(gain.shared[cause]), float(offset.shared[cause]))
        for cause in gain.shared
        if cause in offset.shared
    }
    assert any("level_1" in cause for cause in common)
    # math: offset = true / (1 + gain) - read, so its covariance with the gain is -2.5 V · u²(gain), but for the reading
    # at 2.5 V itself, which both have: gain takes it with -1/5 V, offset with -1, and 2.5 V · (1/5 V) / 2 of that stays
    covariance = sum(one * other for one, other in common.values())
    assert covariance < 0
    # every input was held against one meter
    (meter,) = (cause for cause in held["gain", 2].shared if "meter dc_voltage gain" in cause)
    assert all(meter in held["gain", number].shared for number in (1, 3, 4))

    def standard(volts: float, number: int = 1) -> float:
        """Of the mean of a steady level, corrected with both."""
        of = {quantity: held[quantity, number] for quantity in ("gain", "offset")}
        accuracy = ww.Accuracy(
            corrected={name: float(one.uncertainty) for name, one in of.items()},
            shared={name: {cause: float(part) for cause, part in one.shared.items()} for name, one in of.items()},
            timebase=0,
        )
        budget = ww.measure(
            ww.Waveform.from_volts([volts] * 100, interval=1e-6, name="level"), "mean", accuracy=accuracy
        ).budget
        assert budget is not None
        return budget.standard

    # JCGM 100:2008, 5.2.2: u² = u²(offset) + V² u²(gain) + 2 V u(offset, gain)
    for volts in (-3.0, 0.0, 2.5):
        expected = float(offset.uncertainty) ** 2 + (volts * float(gain.uncertainty)) ** 2 + 2 * volts * covariance
        assert standard(volts) == pytest.approx(expected**0.5, rel=0.02)
    # better known where it was calibrated, and at -2.5 V worse than two independent errors would make it
    independent = ((float(offset.uncertainty)) ** 2 + (2.5 * float(gain.uncertainty)) ** 2) ** 0.5
    assert standard(-2.5) > 1.1 * independent > standard(2.5)


def test_a_short_finds_the_offset_though_the_input_is_too_quiet_to_average_over_codes(tmp_path: Path) -> None:
    found = {one.input: one for one in calibrated(SHORT, tmp_path).written.new}  # type: ignore[attr-defined]
    for number, truth in built(204).items():
        rest = truth.offset_error * RANGE + float(found[number].value)
        assert abs(rest) <= abs(truth.offset_error * RANGE) / 10
        assert abs(rest) <= 2 * float(found[number].uncertainty)


def test_correction_shrinks_the_skew_at_least_tenfold(tmp_path: Path) -> None:
    found = {one.input: one for one in calibrated(SKEW, tmp_path).written.new}  # type: ignore[attr-defined]
    truth = built(204)
    assert (float(found[1].value), float(found[1].uncertainty)) == (0.0, 0.0)  # the one that the others refer to
    for number in (2, 3, 4):
        between = truth[number].skew - truth[1].skew
        assert abs(float(found[number].value) - between) <= abs(between) / 10
        assert abs(float(found[number].value) - between) <= 2 * float(found[number].uncertainty)


TIMEBASE = """
wavewright: 1
title: time base against a frequency that is known
measurements:
  clock:
    place: Probe 1 on TP20.
    channels: {s: {input: 1, range: 4 V, offset: 0 V}}
    timebase: {span: 10 ms, points: 1M}
    stimulus: [{source: {function: sine, frequency: 1 MHz, amplitude: 3 V, offset: 0 V, output: on}}]
    shots: 4
    compute: {f: {metric: sine_frequency, of: s, over: mean}}
calibration:
  timebase: {quantity: timebase, read: [clock.f], against: [1 MHz ± 0.02 ppm]}
"""


@pytest.mark.parametrize("seed", [7, 11])
def test_the_sample_clock_is_found_against_a_known_frequency(seed: int, tmp_path: Path) -> None:
    (one,) = calibrated(TIMEBASE, tmp_path, seed).written.new
    truth = instrument(seed)._clock_error  # by this share the clock is slow: what it takes for 1 s lasts longer
    assert abs(float(one.value) - truth) <= abs(truth) / 10
    assert abs(float(one.value) - truth) <= 2 * float(one.uncertainty)
    assert "ppm" in str(one.value)


def test_a_run_after_the_calibration_reads_the_true_level_and_delay(tmp_path: Path) -> None:
    bench = bench_in(tmp_path, None)
    recipe = tmp_path / "check.yaml"
    recipe.write_text(LEVELS.read_text().partition("calibration:")[0].replace("[-2.5 V, 0 V, 2.5 V]", "[-1.5 V, 2 V]"))

    def errors() -> list[float]:
        outcome = ww.run(recipe, bench=bench, draw=12, out=None)
        return [
            value - told
            for at in ("-1.5 V", "2 V")
            for number in (1, 2, 3, 4)
            if (value := outcome[f"level[at={at}].level_{number}"].value) is not None
            and (told := outcome[f"level[at={at}].told"].value) is not None
        ]

    before = errors()
    calibrated(LEVELS, tmp_path)
    after = errors()
    assert len(before) == len(after) == 8
    assert max(map(abs, after)) < max(map(abs, before)) / 10


def test_the_file_says_who_when_how_long_and_with_which_evidence(tmp_path: Path) -> None:
    done = calibrated(ZERO, tmp_path, valid_for=90)
    (one,) = load_corrections(tmp_path / "corrections.yaml")[0].corrections
    assert one.due - one.date == timedelta(days=90)
    assert one.by == "R. Okafor"
    assert done.outcome.folder is not None
    assert one.evidence == done.outcome.folder.name
    assert one.identity == ("Wavewright", "Simulated digitizer", "WD-0204")
    assert one.seed == 204
    again = calibrated(ZERO, tmp_path)
    assert again.written.new[0].replaces == f"{one.value} of {one.date}"
    assert len(load_corrections(tmp_path / "corrections.yaml")[0].corrections) == 1


def test_the_calibration_itself_is_measured_without_corrections(tmp_path: Path) -> None:
    first = calibrated(ZERO, tmp_path).written.new[0]
    second = calibrated(ZERO, tmp_path).written.new[0]
    assert float(second.value) == float(first.value)  # the same draw: a correction of what is left would be near 0


def test_trying_leaves_no_file(tmp_path: Path) -> None:
    assert not calibrated(ZERO, tmp_path, is_tried=True).is_written
    assert not (tmp_path / "corrections.yaml").exists()


@pytest.mark.parametrize(
    "old, new, told",
    [
        ("Probe 1 on TP20. Meter on TP20", "Probe 1 on TP1. Meter on TP20", "clipped"),  # 24 V
        ("metric: mean, of: level", "metric: mean, of: level, limit: 1 V .. 2 V", "its limit|outside|below|limit"),
        ("amplitude: 2 V", "amplitude: 10 mV", "no better known|no correction comes"),
        ("Meter on TP20", "Meter on TP3", "it comes out as"),
        ("against: [zero.told]", "against: [2.5 V ± 1 mV]", "it comes out as"),
    ],
)
def test_a_calibration_that_went_wrong_is_not_kept(old: str, new: str, told: str, tmp_path: Path) -> None:
    assert old in ZERO
    with pytest.raises(BenchFault, match=told) as refused:
        calibrated(ZERO.replace(old, new), tmp_path)
    assert not (tmp_path / "corrections.yaml").exists()
    assert refused.value.outcome is not None


def test_what_is_calibrated_may_be_overdue_and_what_it_is_held_against_may_not(tmp_path: Path) -> None:
    path = bench_in(tmp_path, None)
    text = path.read_text()
    path.write_text(text.replace("profile: scpi-digitizer}", "profile: scpi-digitizer, due: 2021-01-01}"))
    assert calibrated(ZERO, tmp_path).written.new
    path.write_text(text.replace("profile: scpi-meter}", "profile: scpi-meter, due: 2021-01-01}"))
    with pytest.raises(BenchFault, match="`meter` was due on 2021-01-01"):
        calibrated(ZERO, tmp_path)


def test_a_gain_of_two_levels_that_are_one_is_refused(tmp_path: Path) -> None:
    text = (
        LEVELS.read_text().replace("[-2.5 V, 0 V, 2.5 V]", "[-100 mV, 0 V, 100 mV]").replace("at=-2.5 V", "at=-100 mV")
    )
    with pytest.raises(BenchFault, match="of its range apart"):
        calibrated(text.replace("at=2.5 V", "at=100 mV"), tmp_path)


def test_a_value_that_is_not_a_number_is_refused(tmp_path: Path) -> None:
    done = calibrated(ZERO, tmp_path, is_tried=True)
    (one,) = done.outcome.measurements
    level = next(result for result in one.results if result.name == "level")
    broken = replace(level, shots=(replace(level.shots[0], value=float("nan")), *level.shots[1:]))
    outcome = replace(done.outcome, measurements=(replace(one, results=(broken, *one.results[1:])),))
    when = CalibrationDay(outcome.started.date(), outcome.started.date())
    bench = load_bench(tmp_path / "bench.yaml")
    with pytest.raises(BenchFault, match="not every shot has a value"):
        found_corrections(outcome, parse_recipe(ZERO, "zero.yaml"), bench, when, instruments={})


def test_an_instrument_without_a_serial_number_cannot_be_calibrated(tmp_path: Path) -> None:
    done = calibrated(ZERO, tmp_path, is_tried=True)
    when = CalibrationDay(done.outcome.started.date(), done.outcome.started.date())
    bench = load_bench(tmp_path / "bench.yaml")
    for identity in ("Maker,Model,0,1.0", "Maker,Model", ""):
        outcome = replace(done.outcome, identities={**done.outcome.identities, "digitizer": identity})
        with pytest.raises(BenchFault, match="query of its identity"):
            found_corrections(outcome, parse_recipe(ZERO, "zero.yaml"), bench, when, instruments={})


def test_a_broken_file_of_corrections_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    bench_in(tmp_path, "wavewright-corrections: 1\ncorrections:\n  - {quantity: ga")
    with pytest.raises(FileFault):
        calibrated(ZERO, tmp_path)
    assert not (tmp_path / "out").exists()


def test_a_recipe_without_calibration_is_misused(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match="has no `calibration:`"):
        calibrated(ZERO.partition("calibration:")[0], tmp_path)


@pytest.mark.parametrize(
    "old, new, told",
    [
        ("zero.told]", "zero.tld]", "no reading `zero.tld`"),
        ("against: [zero.told]", "against: [0 V]", "how well `0 V` is known"),
        ("against: [zero.told]", "against: [0 s ± 1 ps]", "`0 s`"),
        ("against: [zero.told]", "against: [zero.told, zero.told]", "`against` holds 2"),
        ("quantity: offset", "quantity: gain", "`against` holds 1"),
        ("quantity: offset", "quantity: colour", "`quantity` is `colour`"),
    ],
)
def test_what_a_calibration_says_is_checked_with_its_recipe(old: str, new: str, told: str) -> None:
    with pytest.raises(FileFault) as refused:
        parse_recipe(ZERO.replace(old, new), "zero.yaml")
    assert told in str(refused.value)
    assert all(fault.where.line for fault in refused.value.faults or (refused.value,))  # type: ignore[union-attr]


def test_the_command_shows_what_it_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench_in(tmp_path, None)
    recipe = tmp_path / "zero.yaml"
    recipe.write_text(ZERO)
    words = ["calibrate", str(recipe), "--bench", str(tmp_path / "bench.yaml"), "--yes", "--no-logbook", "--draw", "3"]
    words += ["--out", str(tmp_path / "out")]
    assert execute([*words, "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "offset of input 1 at 8 V around 0 V, 10x: " in said
    assert "not written (--dry-run)" in said
    assert not (tmp_path / "corrections.yaml").exists()
    assert execute(words) == 0
    assert "written to" in capsys.readouterr().out
    assert (tmp_path / "corrections.yaml").exists()
