"""Bursts, ramps and stored waveforms of a recipe, as the simulated board and the digitizer see them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import BenchFault, FileFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.vocabulary import Role
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.formats.catalogue import read_stored, write_waveforms
from wavewright.recipe.load import load_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan
from wavewright.running.run import run
from wavewright.running.stored_waveforms import LARGEST_FILE, read_played
from wavewright.waveform import Waveform

PULSES = "function: pulse, frequency: 10 kHz, duty_factor: 40 %, high: 3.3 V, low: 0 V"
RECIPE = """
wavewright: 1
title: What the source plays
measurements:
  seen:
    place: Probe 1 on PLACE.
    channels: {wave: {input: 1, range: RANGE, offset: OFFSET, probe: 10x}}
    timebase: {span: SPAN, points: 20k, before_trigger: BEFORE}
    trigger: {mode: MODE, edge: EDGE, level: LEVEL}
    shots: SHOTS
    stimulus: [STEPS]
    compute: {COMPUTE}
"""
USUAL = {
    "PLACE": "TP20", "RANGE": "8 V", "OFFSET": "2 V", "SPAN": "2 ms", "BEFORE": "200 us", "MODE": "normal",
    "EDGE": "rising", "LEVEL": "1 V", "SHOTS": "1", "COMPUTE": "top: {metric: maximum}",
}  # fmt: skip


def recipe_text(steps: str, **what: str) -> str:
    text = RECIPE.replace("STEPS", steps)
    for key, value in {**USUAL, **what}.items():
        text = text.replace(key, value)
    return text


def rises(wave: Waveform, level: float) -> int:
    high = wave.values() > level
    return int(np.count_nonzero(high[1:] & ~high[:-1]))


@pytest.mark.parametrize("cycles", [1, 5, 12])
@pytest.mark.parametrize("place, level", [("TP20", 1.65), ("TP4", 12.0)], ids=["source's output", "driver after it"])
def test_a_burst_has_as_many_edges_as_periods_were_ordered(
    run_text: Callable[..., Outcome], cycles: int, place: str, level: float
) -> None:
    # definition: a pulse rises once a period; the coil's driver follows its input
    steps = f"{{source: {{{PULSES}, burst: {{cycles: {cycles}}}}}}}"
    outcome = run_text(
        recipe_text(steps, PLACE=place, RANGE="40 V", OFFSET="12 V", SHOTS="2")
        .replace("pulse_count", "maximum")
        .replace("level: 1 V", f"level: {level} V")
    )
    assert [rises(shot["wave"], level) for shot in outcome.captures["seen"]] == [cycles, cycles]


def test_a_burst_that_waits_is_given_by_a_later_step(run_text: Callable[..., Outcome]) -> None:
    # given a burst that is ordered before the digitizer is armed, when a step after the last wait starts it
    ordered = f"{{source: {{{PULSES}, burst: {{cycles: 3, starts: when_told}}}}, then_wait: 1 ms}}"
    steps = f"{ordered}, {{source: {{start: burst}}}}"
    outcome = run_text(recipe_text(steps, SHOTS="2"))
    # then each shot has its three periods
    assert [rises(shot["wave"], 1.65) for shot in outcome.captures["seen"]] == [3, 3]


def test_a_burst_that_nobody_starts_does_not_trigger(run_text: Callable[..., Outcome]) -> None:
    steps = f"{{source: {{{PULSES}, burst: {{cycles: 3, starts: when_told}}}}}}"
    outcome = run_text(recipe_text(steps))
    assert "no trigger within 5 s" in outcome.measurements[0].error


def test_bursts_end_with_off(run_text: Callable[..., Outcome]) -> None:
    steps = f"{{source: {{{PULSES}, burst: {{cycles: 3}}}}}}, {{source: {{burst: off}}}}"
    (shot,) = run_text(recipe_text(steps, MODE="auto")).captures["seen"]
    assert rises(shot["wave"], 1.65) == 20  # math: 2 ms at 10 kHz


@pytest.mark.parametrize("symmetry", [20, 50, 80])
def test_a_ramp_rises_for_its_symmetry(run_text: Callable[..., Outcome], symmetry: int) -> None:
    steps = f"{{source: {{function: ramp, frequency: 1 kHz, high: 3 V, low: 0 V, symmetry: {symmetry} %}}}}"
    compute = "rise: {metric: rise_time}, fall: {metric: fall_time}"
    outcome = run_text(recipe_text(steps, MODE="auto", SPAN="10 ms", COMPUTE=compute))
    # math: a straight line takes 80 % of its length from 10 % to 90 %; 1 % for the converter's steps at both ends
    assert outcome["seen.rise"].value == pytest.approx(0.8e-3 * symmetry / 100, rel=0.03)
    assert outcome["seen.fall"].value == pytest.approx(0.8e-3 * (1 - symmetry / 100), rel=0.03)


def sag(points: int = 400, interval: float = 2.5e-6) -> Waveform:
    """1 ms of a rail that sags and rings: between 0.3 V and 3.4 V."""
    turn = np.arange(points) / points
    volts = 3.3 - 3.0 * np.exp(-(((turn - 0.3) / 0.05) ** 2)) + 0.1 * np.sin(2 * np.pi * 5 * turn)
    return Waveform.from_volts(volts, interval=interval, name="rail")


@pytest.fixture
def stored(tmp_path: Path) -> Callable[..., Recipe]:
    """The recipe that plays a waveform which lies beside it."""

    def write(wave: Waveform | str, how: str = "", *, name: str = "sag.csv", **what: str) -> Recipe:
        if isinstance(wave, Waveform):
            write_waveforms(tmp_path / name, {"rail": wave})
        else:
            (tmp_path / name).write_text(wave, encoding="utf-8")
        path = tmp_path / "recipe.yaml"
        path.write_text(recipe_text(f"{{source: {{function: arbitrary, waveform: {name}{how}}}}}", **what), "utf-8")
        return load_recipe(path)

    return write


def played(recipe: Recipe, bench: BenchFile) -> Waveform:
    outcome = run(recipe, bench, pause=lambda seconds: None, read_stored=read_stored)
    assert not outcome.error
    assert not outcome.measurements[0].error
    return outcome.captures["seen"][0]["wave"]


def difference(seen: Waveform, sent: Waveform, *, times: float = 1.0, plus: float = 0.0, period: float) -> float:
    """The largest difference of what was seen from what was sent, over all places where the period may begin, V."""
    heights = times * sent.values() + plus
    corners = np.append(heights, heights[0])
    phases = (seen.start + seen.interval * np.arange(len(seen))) / period
    smooth = np.convolve(seen.values(), np.ones(16) / 16, "same")[16:-16]  # the converter's noise, not the signal

    def against(shift: float) -> float:
        wanted = np.interp((phases + shift) % 1.0 * sent.codes.size, np.arange(corners.size), corners)
        return float(np.abs(smooth - wanted[16:-16]).max())

    coarse = min(np.arange(0, 1, 1 / 400), key=against)
    return min(against(shift) for shift in np.linspace(coarse - 1 / 400, coarse + 1 / 400, 21))


# The digitizer: gain 1.5 %, offset 0.5 % of range + 1 mV at the connector, by its profile; the probe divides by ten.
WITHIN = 0.015 * 3.4 + 0.005 * 8 + 10 * 1e-3 + 8 / 256


def test_a_stored_waveform_is_played_as_it_was_recorded(stored: Callable[..., Recipe], bench: BenchFile) -> None:
    seen = played(stored(sag(), MODE="auto", LEVEL="2 V"), bench)
    assert difference(seen, sag(), period=1e-3) < WITHIN


def test_a_step_may_name_another_level_and_frequency(stored: Callable[..., Recipe], bench: BenchFile) -> None:
    seen = played(stored(sag(), ", high: 2 V, low: 1 V, frequency: 2 kHz", MODE="auto", LEVEL="1.5 V"), bench)
    volts = sag().values()
    # math: the extremes become 1 V and 2 V, all between them in proportion
    times = 1 / np.ptp(volts)
    plus = 1 - times * volts.min()
    assert difference(seen, sag(), times=float(times), plus=float(plus), period=0.5e-3) < WITHIN


def test_the_board_follows_a_stored_waveform(
    run_text: Callable[..., Outcome], stored: Callable[..., Recipe], bench: BenchFile
) -> None:
    # given three pulses of different lengths in one period of 1 ms, when the coil's driver is fed with them
    volts = np.repeat([0.0, 3.3, 0.0, 3.3, 0.0, 3.3, 0.0], [100, 50, 50, 100, 100, 200, 400])
    wave = Waveform.from_volts(volts, interval=1e-6, name="rail")
    seen = played(
        stored(
            wave, PLACE="TP4", RANGE="40 V", OFFSET="12 V", LEVEL="12 V", SPAN="10 ms", BEFORE="150 us", MODE="auto"
        ),
        bench,
    )
    high = seen.values() > 12.0
    # then it is high for as long as they are: (50 + 100 + 200) of 1000 samples, and rises three times a period
    assert float(high.mean()) == pytest.approx(0.35, abs=0.01)
    assert rises(seen, 12.0) == 30


def test_a_burst_of_a_stored_waveform(stored: Callable[..., Recipe], bench: BenchFile) -> None:
    seen = played(stored(sag(), ", burst: {cycles: 2}", EDGE="falling", LEVEL="2 V", SPAN="4 ms"), bench)
    assert rises(seen, 2.0) >= 2
    # before and after it the output rests at the first sample
    first = sag().values()[0]
    assert float(seen.values()[-2000:].mean()) == pytest.approx(first, abs=WITHIN)


FAULTS = [
    # what stands in the file (None: there is none), what is said, what is expected
    (None, "there is no such file", "a stored waveform"),
    ("time (s),rail (V)\n0,1\n1e-6,x\n", "sag.csv:3", ""),
    ("time (s),rail (V)\n0,1\n1e-6,1\n2e-6,1\n", "`rail` is not a period of a signal", "not all equal"),
    ("time (s),rail (A)\n0,1\n1e-6,2\n2e-6,1\n", "`rail` is in A", "volts"),
    ("time (s),rail (V)\n0,1\n1e3,2\n2e3,1\n", "one period of 3000 s is too long", "at most 1000 s"),
]  # fmt: skip


@pytest.mark.parametrize("content, said, expected", FAULTS, ids=["missing", "no table", "flat", "current", "too long"])
def test_what_cannot_be_played_is_told_at_its_place_in_the_recipe(
    tmp_path: Path, bench: BenchFile, content: str | None, said: str, expected: str
) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(recipe_text("{source: {function: arbitrary, waveform: sag.csv}}"), encoding="utf-8")
    if content is not None:
        (tmp_path / "sag.csv").write_text(content, encoding="utf-8")
    with pytest.raises(FileFault) as caught:
        run(load_recipe(path), bench, read_stored=read_stored)
    column = path.read_text().splitlines()[10].index("sag.csv") + 1
    assert str(caught.value).startswith(f"{path}:11:{column}: `sag.csv` cannot be played: ")
    assert said in str(caught.value)
    assert expected in str(caught.value)


def test_a_folder_and_a_file_that_is_too_large_are_not_read(tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(recipe_text("{source: {function: arbitrary, waveform: sag.csv}}"), encoding="utf-8")
    (tmp_path / "sag.csv").mkdir()
    with pytest.raises(FileFault, match="this is not a file"):
        read_played(load_recipe(path), read_stored)
    (tmp_path / "sag.csv").rmdir()
    with (tmp_path / "sag.csv").open("wb") as file:
        file.truncate(LARGEST_FILE + 1)  # a hole in the disk, no bytes
    with pytest.raises(FileFault, match="256 MiB are too large") as caught:
        read_played(load_recipe(path), read_stored)
    assert "expected: at most 256 MiB" in str(caught.value)


def test_a_channel_is_named_or_counted(tmp_path: Path) -> None:
    volts = {
        name: Waveform.from_volts([0.0, high], interval=1e-6, name=name) for name, high in (("a", 1.0), ("b", 2.0))
    }
    write_waveforms(tmp_path / "two.csv", volts)
    path = tmp_path / "recipe.yaml"
    for word, high in (("", 1.0), (", channel: b", 2.0), (", channel: 2", 2.0)):
        path.write_text(recipe_text(f"{{source: {{function: arbitrary, waveform: two.csv{word}}}}}"), encoding="utf-8")
        (period,) = read_played(load_recipe(path), read_stored).values()
        assert period.values().max() == high
    path.write_text(recipe_text("{source: {function: arbitrary, waveform: two.csv, channel: c}}"), encoding="utf-8")
    with pytest.raises(FileFault, match="no channel `c`"):
        read_played(load_recipe(path), read_stored)


def test_more_points_than_the_source_holds_are_refused_before_anything_is_sent(
    stored: Callable[..., Recipe], bench: BenchFile
) -> None:
    source = bench.profiles["source"]
    abilities = source.grammar.abilities.model_copy(update={"arbitrary_points": 300})
    small = replace(source, grammar=source.grammar.model_copy(update={"abilities": abilities}))
    recipe = stored(sag())
    with pytest.raises(BenchFault) as caught:
        run(recipe, replace(bench, profiles={**bench.profiles, "source": small}), read_stored=read_stored)
    assert f"{recipe.path}:11:" in str(caught.value)
    assert "`rail` has 400 points" in str(caught.value)
    assert "at most 300 points" in str(caught.value)


def with_ceiling(bench: BenchFile, voltage: float) -> BenchFile:
    entry = bench.instruments["source"].model_copy(update={"ceilings": {"voltage": voltage}})
    return replace(
        bench, grammar=bench.grammar.model_copy(update={"instruments": {**bench.instruments, "source": entry}})
    )


def test_the_level_of_a_stored_waveform_is_held_against_the_ceiling(
    stored: Callable[..., Recipe], bench: BenchFile
) -> None:
    # given a waveform that reaches 3.4 V, of which the recipe says nothing, and a ceiling of 3 V
    recipe = stored(sag())
    # when it is run, then nothing is sent
    with pytest.raises(BenchFault) as caught:
        run(recipe, with_ceiling(bench, 3.0), read_stored=read_stored)
    assert f"{recipe.path}:11:" in str(caught.value)
    assert "amplitude and offset" in str(caught.value)
    assert "expected: at most 3 V" in str(caught.value)
    assert played(stored(sag(), ", high: 2.9 V, low: 0 V", MODE="auto"), with_ceiling(bench, 3.0)) is not None


def test_the_plan_has_the_samples_the_level_and_the_trigger(stored: Callable[..., Recipe]) -> None:
    recipe = stored(sag(), ", burst: {cycles: 4}")
    profiles: dict[Role, Profile] = {one.role: one for one in map(load_profile, ("scpi-digitizer", "scpi-source"))}
    made = plan(recipe, profiles, attenuations={}, played=read_played(recipe, read_stored))
    (step,) = (step for step in made.measurements[0].for_every_shot if step.role == Role.SOURCE)
    assert step.purpose == "set the source, playing `sag.csv`, 400 points, and start the burst"
    low, high = sag().values().min(), sag().values().max()
    assert step.messages[0] == "TRACe:DATA USER,"
    assert step.messages[-2:] == ("OUTPut:STATe 1", "*TRG")
    assert "TRIGger:COUNt 4.0E+00" in step.messages
    numbers = {message.split()[0].rpartition(":")[2]: message.split()[-1] for message in step.messages[1:-1]}
    assert float(numbers["CW"]) == pytest.approx(1e3)  # math: once in 400 · 2.5 us
    assert float(numbers["AMPLitude"]) == pytest.approx(high - low)
    assert float(numbers["OFFSet"]) == pytest.approx((high + low) / 2)


def test_a_measurement_with_a_burst_is_judged_as_any_other(run_text: Callable[..., Outcome]) -> None:
    outcome = run_text(
        recipe_text(
            f"{{source: {{{PULSES}, burst: {{cycles: 5}}}}}}", COMPUTE="top: {metric: maximum, limit: at least 3 V}"
        )
    )
    assert outcome.verdict is Verdict.PASS
