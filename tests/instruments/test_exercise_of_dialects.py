"""Every profile of a digitizer is green on its simulated instrument, over every wire; the ends that it states hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.digitizer_setup import digitizer_faults
from wavewright.instruments.exercise_values import values_to_try
from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.profile_exercise import TrialOutcome, exercise_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup
from wavewright.recipe.load import load_recipe
from wavewright.running.selection import select
from wavewright.simulation.server.serving import BenchServer

SIM = Path(__file__).parents[2] / "sim"
BENCHES = {"scpi": "bench.yaml", "grid": "bench_grid.yaml", "plain": "bench_plain.yaml"}


@contextmanager
def bench_on(wire: str, name: str, folder: Path) -> Iterator[BenchFile]:
    """A bench in the library, or the same over sockets."""
    if wire == "library":
        yield load_bench(SIM / BENCHES[name])
        return
    with BenchServer(SIM / BENCHES[name], hislip=wire == "HiSLIP") as server:
        server.write_bench(folder / "live.yaml")
        yield load_bench(folder / "live.yaml")


@pytest.mark.parametrize("wire", ["library", "raw socket", "HiSLIP"])
@pytest.mark.parametrize("name", BENCHES)
def test_a_digitizers_profile_is_green_on_its_instrument(tmp_path: Path, name: str, wire: str) -> None:
    with bench_on(wire, name, tmp_path) as bench:
        rows = list(exercise_profile(bench.profiles["digitizer"], bench))
    amiss = [(row.setting, row.asked, row.used, row.remark) for row in rows if row.finding is not TrialOutcome.WORKS]
    assert not amiss
    assert len(rows) > 40
    assert any(row.setting.startswith("capture as") for row in rows)


@pytest.fixture
def profile(tmp_path: Path, request: pytest.FixtureRequest) -> Profile:
    """The shipped digitizer with abilities of its own."""
    text = f"wavewright-profile: 1\nname: own\nextends: scpi-digitizer\nabilities: {{{request.param}}}\n"
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    return load_profile("own.yaml", folder=tmp_path)


@pytest.mark.parametrize(
    "profile, setting, values",
    [
        ("least_rate: 10 kHz, rate: 50 MHz", "timebase.interval", {1e-4, 2e-6, 2e-8}),
        ("least_rate: 10 kHz, rate: 50 MHz", "timebase.rate", {1e4, 5e5, 5e7}),
        # a hundredth of the fastest would be slower than the slowest
        ("least_rate: 20 MHz, rate: 50 MHz", "timebase.rate", {2e7, 5e7}),
        ("least_points: 500, points: 2k", "timebase.points", {500.0, 2000.0}),
    ],
    indirect=["profile"],
)
def test_the_ends_that_a_profile_states_are_those_that_are_tried(
    profile: Profile, setting: str, values: set[float]
) -> None:
    tried = sorted(map(float, values_to_try(setting, profile, {})))  # type: ignore[arg-type]
    assert tried == pytest.approx(sorted(values))


def test_an_end_that_the_profile_states_wrongly_is_found(tmp_path: Path) -> None:
    # the plain instrument's longest interval is 100 us, so a least rate of 5 kHz is more than it can do
    path = SIM / "profiles/plain-digitizer.yaml"
    text = f'wavewright-profile: 1\nname: wrong\nextends: "{path.as_posix()}"\nabilities: {{least_rate: 5 kHz}}\n'
    (tmp_path / "wrong.yaml").write_text(text, encoding="utf-8")
    rows = list(exercise_profile(load_profile("wrong.yaml", folder=tmp_path), load_bench(SIM / BENCHES["plain"])))
    assert [(row.setting, row.asked) for row in rows if row.finding is TrialOutcome.FAILS] == [
        ("timebase.interval", 2e-4)
    ]


PLAIN = str(SIM / "profiles/plain-digitizer.yaml")
TIMEBASES = [
    # points, interval, what is said: by the abilities that the profile states
    (1000, 1e-4, ()),
    (100, 2e-8, ()),
    (200_000, 1e-6, ()),
    (1000, 1.01e-4, ("the rate of 9.901 kHz", "at least 10 kHz")),
    (1000, 1.9e-8, ("the rate of 52.63 MHz", "at most 50 MHz")),
    (99, 1e-6, ("the record of 99", "at least 100")),
    (200_001, 1e-6, ("the record of 200001", "at most 200000")),
]


@pytest.mark.parametrize("points, interval, said", TIMEBASES)
def test_a_time_base_beyond_either_end_is_known_before(points: int, interval: float, said: tuple[str, ...]) -> None:
    setup = DigitizerSetup({"a": InputSetup(1, 1.0)}, TimebaseSetup(points, interval))
    faults = digitizer_faults(load_profile(PLAIN), setup)
    assert len(faults) == bool(said)
    for fault in faults:
        assert all(part in str(fault) for part in said), str(fault)
    assert not digitizer_faults(load_profile(PLAIN), setup, has_timebase=False)


RECIPE = """\
wavewright: 1
title: Too slow
needs: {digitizer: {bandwidth: 80 MHz}}
measurements:
  slow:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 10 ms, rate: 9 kHz}
    compute: {mean: {}}
  in_cycles:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {cycles: 10}
    compute: {mean: {}}
"""


def test_a_recipe_that_wants_less_than_there_is_is_told_before_the_run_with_the_place(tmp_path: Path) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(RECIPE, encoding="utf-8")
    with pytest.raises(BenchFault) as refused:
        select(load_recipe(path), load_bench(SIM / BENCHES["plain"]))
    said = str(refused.value)
    assert f"{path}:3:32: slow: the bandwidth of 80 MHz\n  expected: at most 60 MHz by `plain-digitizer`" in said
    assert f"{path}:7:35: slow: the rate of 9 kHz\n  expected: at least 10 kHz by `plain-digitizer`" in said
    assert f"{path}:7:22: slow: the record of 90\n  expected: at least 100 by `plain-digitizer`" in said
    assert "in_cycles: the r" not in said  # its time base is found on the bench
