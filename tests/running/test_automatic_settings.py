"""Automatic range, time base and trigger level: each search by itself, and all with a digitizer of the test's own."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import NotMeasurable
from wavewright.instruments import digitizer as role
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.running.automatic_settings import (
    MOST_SHOTS,
    Extent,
    FoundSettings,
    PeriodSearch,
    RangeSearch,
    describe,
    extent,
    find_settings,
    record_of_cycles,
)
from wavewright.running.instrument_settings import RequestedSetup
from wavewright.running.outcome import Outcome
from wavewright.running.run_context import Silent
from wavewright.waveform import Capture, Waveform

STEPS = [0.08, 0.16, 0.4, 0.8, 1.6, 4.0, 8.0, 16.0, 40.0, 80.0]  # V peak to peak, an invented 1-2-5 front end

ROOM_FOR_ROUNDING = 1 / 256  # a code of the range that the last shot was taken with


class FrontEnd:
    """An 8-bit converter after a range switch; it rounds a range up to its next step and clips what goes beyond."""

    def __init__(self, lowest: float, highest: float, steps: list[float]) -> None:
        self.lowest, self.highest, self.steps = lowest, highest, steps

    def use(self, wanted: InputSetup) -> InputSetup:
        bnc = wanted.range / wanted.attenuation
        step = next((size for size in self.steps if size >= bnc * 0.999), max(self.steps)) if self.steps else bnc
        return replace(wanted, range=step * wanted.attenuation)

    def shot(self, used: InputSetup) -> Waveform:
        volts = np.array([self.lowest, self.highest])
        codes = np.clip(np.round((volts - used.offset) / used.range * 256), -128, 127).astype(np.int8)
        return Waveform(codes, gain=used.range / 256, offset=used.offset, interval=1e-6, code_range=(-128, 127))


def search(front_end: FrontEnd, first: InputSetup) -> tuple[RangeSearch, InputSetup, Extent]:
    ranges = RangeSearch(first, ranges=front_end.steps)
    for _ in range(MOST_SHOTS):
        used = front_end.use(ranges.setting)
        seen = extent(front_end.shot(used))
        ranges.see(seen, used)
        if ranges.is_done:
            return ranges, used, seen
    raise AssertionError("no end")


@given(
    middle=st.floats(-20, 20),
    swing=st.floats(0.001, 30),
    attenuation=st.sampled_from([1.0, 10.0]),
    is_stepless=st.booleans(),
)
def test_it_ends_with_nothing_cut_off_and_no_smaller_range_that_would_do(
    middle: float, swing: float, attenuation: float, is_stepless: bool
) -> None:
    steps = [] if is_stepless else STEPS
    front_end = FrontEnd(middle - swing / 2, middle + swing / 2, steps)
    _, used, seen = search(front_end, InputSetup(1, range=1.0, attenuation=attenuation))
    assert not seen.is_clipped
    if is_stepless:
        assert 0.6 - ROOM_FOR_ROUNDING <= swing / used.range <= 0.9 + ROOM_FOR_ROUNDING
    elif used.range > STEPS[0] * attenuation:
        smaller = max(size for size in STEPS if size * attenuation < used.range)
        # either it fills what it has as wanted, or the next smaller range would be filled beyond what is wanted
        assert swing / used.range >= 0.6 - 0.01 or swing / (smaller * attenuation) > 0.9 - 0.01


def test_a_signal_beyond_the_widest_range_ends_there_and_says_so() -> None:
    ranges, used, _ = search(FrontEnd(-90.0, 90.0, STEPS), InputSetup(1, range=1.0))
    assert used.range == 80.0
    assert "the signal goes beyond it" in ranges.remark


def test_a_signal_beside_the_widest_range_is_brought_into_it() -> None:
    # given 50 V, which the widest range reaches only with an offset
    _, used, seen = search(FrontEnd(45.0, 55.0, STEPS), InputSetup(1, range=1.0))
    assert not seen.is_clipped
    assert used.range == 16.0
    assert used.offset == pytest.approx(50.0, abs=0.5)


def test_a_line_that_does_not_move_gets_the_smallest_range_round_it() -> None:
    ranges, used, seen = search(FrontEnd(3.3, 3.3, STEPS), InputSetup(1, range=1.0))
    assert used.range == STEPS[0]
    assert not seen.is_clipped
    assert ranges.remark.startswith("auto range: 80 mV centred on 3.3")


def test_it_says_what_it_chose() -> None:
    ranges, _, _ = search(FrontEnd(0.0, 5.0, STEPS), InputSetup(1, range=1.0))
    assert ranges.remark == "auto range: 8 V centred on 2.500 V, 62 % of the codes used"


@pytest.mark.parametrize("code", [-128, 127])
def test_one_sample_on_the_last_code_counts_as_cut_off(code: int) -> None:
    wave = Waveform(np.array([0, code], dtype=np.int8), gain=0.01, interval=1e-6, code_range=(-128, 127))
    assert extent(wave).is_clipped


def test_an_inverting_scale_keeps_lowest_below_highest() -> None:
    wave = Waveform(np.array([-10, 20], dtype=np.int8), gain=-0.01, offset=1.0, interval=1e-6, code_range=(-128, 127))
    assert extent(wave) == Extent(pytest.approx(0.8), pytest.approx(1.1), 0.01)


FASTEST = 4e-9  # s

EXTENT = Extent(0.0, 5.0, 0.02)


def pwm(setting: TimebaseSetup, *, frequency: float, duty: float, noise: float) -> Waveform:
    """A record of a pulse train whose phase nobody knows, with noise from a fixed seed."""
    generator = np.random.default_rng(7)
    times = setting.interval * np.arange(setting.points) + generator.uniform(0, 1 / frequency)
    volts = 5.0 * ((times * frequency) % 1 < duty) + generator.normal(0, noise, times.size)
    return Waveform.from_volts(volts, interval=setting.interval)


def period_search(**signal: float) -> PeriodSearch:
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    for _ in range(20):
        periods.see(pwm(periods.setting, **signal))
        if periods.is_done:
            return periods
    raise AssertionError("no end")


@pytest.mark.parametrize("frequency", [2.0, 50.0, 1.25e3, 340e3, 12e6])
@pytest.mark.parametrize("duty", [0.05, 0.5, 0.9])
def test_the_period_is_found_over_seven_decades(frequency: float, duty: float) -> None:
    # math: a pulse train of frequency f repeats after 1 / f; noise moves one edge by at most a sample
    found = period_search(frequency=frequency, duty=duty, noise=0.05)
    assert found.period == pytest.approx(1 / frequency, rel=0.02, abs=2 * FASTEST)


def test_a_slow_and_noisy_edge_is_one_edge() -> None:
    # given a sine of 50 Hz with noise that crosses its middle many times at each passage
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    generator = np.random.default_rng(3)
    while not periods.is_done:
        times = periods.setting.interval * np.arange(periods.setting.points)
        volts = 2.5 + 2.5 * np.sin(2 * np.pi * 50 * times) + generator.normal(0, 0.1, times.size)
        periods.see(Waveform.from_volts(volts, interval=periods.setting.interval))
    assert periods.period == pytest.approx(20e-3, rel=0.02)


def test_the_noise_on_a_flat_piece_is_no_signal() -> None:
    # given a record so short that it shows 5 V and nothing else, with 100 mV of noise on it
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    wave = Waveform.from_volts(5.0 + np.random.default_rng(1).normal(0, 0.1, 5000), interval=FASTEST)
    periods.see(wave)
    assert periods.period is None
    assert not periods.is_done
    assert periods.setting.span > wave.duration


@pytest.mark.parametrize("rms", [0.3, 0.5, 1.0, 3.0, 10.0])  # codes
@pytest.mark.parametrize("corner", [None, 0.1, 0.02])  # of half the sampling rate
def test_the_noise_of_a_steady_line_has_no_period(rms: float, corner: float | None) -> None:
    generator = np.random.default_rng(7)
    size = 100_000
    noise = generator.normal(0, 1, size)
    if corner is not None:
        noise = scipy.signal.sosfilt(scipy.signal.butter(2, corner, output="sos"), noise)
    codes = np.rint(rms * noise / noise.std()).astype(np.int8)
    periods = PeriodSearch(extent(Waveform(codes, gain=0.02, interval=1e-6)), fastest=FASTEST)
    while not periods.is_done:
        points = min(periods.setting.points, size)
        periods.see(Waveform(codes[:points], gain=0.02, interval=periods.setting.interval))
    assert periods.is_noise
    assert periods.period is None


@pytest.mark.parametrize("amplitude", [1.5, 3.0, 50.0])  # codes
def test_a_small_sine_in_noise_has_a_period(amplitude: float) -> None:
    generator = np.random.default_rng(7)

    def record(setting: TimebaseSetup) -> Waveform:
        turns = 2 * np.pi * 40e3 * setting.interval * np.arange(setting.points)
        codes = np.rint(amplitude * np.sin(turns) + generator.normal(0, 0.4, turns.size)).astype(np.int8)
        return Waveform(codes, gain=0.02, interval=setting.interval)

    periods = PeriodSearch(extent(record(TimebaseSetup(points=100_000, interval=1e-6))), fastest=FASTEST)
    while not periods.is_done:
        periods.see(record(periods.setting))
    assert not periods.is_noise
    assert periods.period == pytest.approx(25e-6, rel=0.1)


def test_data_that_keep_no_period_are_no_noise() -> None:
    # given bits of 1 us by chance: what repeats is the median, as a time base in cycles needs some record
    bits = np.repeat(np.random.default_rng(3).integers(0, 2, 5000), 20)
    wave = Waveform((100 * bits).astype(np.int8), gain=0.02, interval=50e-9)
    periods = PeriodSearch(extent(wave), fastest=FASTEST)
    periods.see(wave)
    assert periods.period == pytest.approx(4e-6, abs=2e-6)  # math: two runs of 2 bits in the mean


def test_a_line_that_never_moves_ends_without_a_period() -> None:
    periods = PeriodSearch(EXTENT, fastest=FASTEST)
    while not periods.is_done:
        periods.see(Waveform.from_volts(np.full(periods.setting.points, 5.0), interval=periods.setting.interval))
    assert periods.period is None


@pytest.mark.parametrize("phase", np.linspace(0, 1, 11))
def test_the_record_holds_the_cycles_wherever_the_trigger_stands(phase: float) -> None:
    # math: n whole cycles lie between n + 1 rising edges
    setting = record_of_cycles(1e-3, 20, fastest=FASTEST)
    start = -setting.before_trigger + phase * 1e-3
    edges = np.arange(-50, 50) * 1e-3
    inside = (edges > start) & (edges < start + setting.span)
    assert inside.sum() >= 21


def test_the_record_fits_into_the_memory_and_the_rate_of_the_instrument() -> None:
    assert record_of_cycles(1e-3, 20, fastest=FASTEST, most_points=10_000).points <= 10_000
    fast = record_of_cycles(80e-9, 20, fastest=FASTEST)
    assert fast.interval == FASTEST
    assert fast.points * fast.interval == pytest.approx(21.25 * 80e-9, rel=0.01)


def test_it_says_which_time_base_it_chose() -> None:
    assert describe(0.8e-3, record_of_cycles(0.8e-3, 20)) == (
        "auto time base: period 800 us, so 17 ms in 500000 samples"
    )


PERIOD = 800e-6  # s


class Digitizer:
    """Square wave between 0 V and 5 V with a spike of 20 V, shown only by a record sampled every 100 ns or faster."""

    def __init__(self, *, is_moving: bool = True) -> None:
        self.profile = load_profile("scpi-digitizer")
        self.asked = ()
        self.shots: list[DigitizerSetup] = []
        self._is_moving = is_moving

    def configure(self, setup: DigitizerSetup, *, only_changed: bool = False) -> Mapping[str, float]:
        del only_changed
        steps = sorted(self.profile.grammar.abilities.ranges)
        one = setup.inputs["drive"]
        size = next((step for step in steps if step >= one.range * 0.999), steps[-1])
        self._used = replace(one, range=size)
        self._setup = setup
        return self.settings

    @property
    def settings(self) -> Mapping[str, float]:
        return {"input1.range": self._used.range, "input1.offset": self._used.offset}

    def check_as_requested(self, asked: object, used: object) -> None:
        """It rounds the range, and nothing else."""

    def take_trial(self, setup: DigitizerSetup) -> Capture:
        self.configure(setup)
        return self.acquire()

    def acquire(self) -> Capture:
        self.shots.append(self._setup)
        timebase = self._setup.timebase
        places = timebase.interval * np.arange(timebase.points) % PERIOD
        volts = np.where(places < PERIOD / 2, 5.0, 0.0) if self._is_moving else np.zeros(timebase.points)
        if timebase.interval <= 100e-9 and self._is_moving:
            volts[places < 200e-9] = 20.0
        codes = np.clip(np.round((volts - self._used.offset) / self._used.range * 256), -128, 127).astype(np.int8)
        wave = Waveform(
            codes,
            gain=self._used.range / 256,
            offset=self._used.offset,
            interval=timebase.interval,
            name="drive",
            code_range=(-128, 127),
        )
        return Capture({"drive": wave})


def found(digitizer: Digitizer, *, cycles: int | None = 20) -> FoundSettings:
    setup = DigitizerSetup(
        inputs={"drive": InputSetup(1, range=0.0)},
        timebase=TimebaseSetup(points=1000, interval=1e-6),
        trigger=TriggerSetup(on="drive"),
    )
    goal = RequestedSetup(setup, auto_ranges=("drive",), cycles=cycles, auto_level=True)
    return find_settings(goal, digitizer)  # type: ignore[arg-type]  # all that the search uses of a digitizer


def test_range_time_base_and_level_are_found_together() -> None:
    result = found(Digitizer())
    assert result.setup.timebase.span == pytest.approx(21.25 * PERIOD, rel=0.01)
    assert result.setup.trigger.on == "drive"
    assert len(result.remarks) == 3


def test_a_spike_that_only_the_final_record_shows_is_not_cut_off() -> None:
    digitizer = Digitizer()
    one = found(digitizer).setup.inputs["drive"]
    assert one.offset - one.range / 2 < 0.0
    assert one.offset + one.range / 2 > 20.0


def test_the_search_looks_with_a_trigger_that_comes_at_once() -> None:
    digitizer = Digitizer()
    found(digitizer)
    assert all(setup.trigger.on == "" for setup in digitizer.shots)


def test_a_line_that_never_moves_has_no_period_and_says_so() -> None:
    with pytest.raises(NotMeasurable, match="no period of `drive` was found"):
        found(Digitizer(is_moving=False))


def test_a_record_that_the_recipe_gives_is_kept() -> None:
    assert found(Digitizer(), cycles=None).setup.timebase == TimebaseSetup(points=1000, interval=1e-6)


BOARD = (Path(__file__).parents[2] / "sim/vc204.yaml").read_text(encoding="utf-8")
NODES = re.findall(r"test_point: (TP\d+)", BOARD)
UNKNOWN = """
wavewright: 1
title: A node of which nothing is known
measurements:
  node:
    place: Probe 1 on {node}.
    channels: {{node: {{input: 1, range: auto}}}}
    timebase: {{cycles: 10}}
    trigger: {{mode: auto, on: node, edge: rising, level: auto}}
    stimulus: [{{supply: {{voltage: 24 V, current_limit: 1 A, output: on}}, then_wait: 300 ms}}]
    compute: {{largest: {{metric: peak_to_peak, of: node}}}}
"""
MOST_RECORDS = 6  # for the range, and for the time base
# The feed, the reset and undriven outputs are steady, and so is a bus while nobody speaks; the clock of SPI is at 1 MHz
# as the overview's samples are, which find it always low.
QUIET = {"TP1", "TP4", "TP5", "TP9", "TP10", "TP13", "TP20"}


class LastStep(Silent):
    """What is going on, as a run tells it."""

    now = ""

    def step(self, text: str) -> None:
        self.now = text


def test_every_node_of_the_board_is_tried() -> None:
    assert len(NODES) == len(set(NODES)) == 17


@pytest.mark.parametrize("node", NODES)
def test_range_and_time_base_of_a_node_are_found_in_few_records(
    node: str, run_text: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    # given a count of the records that are taken, by what is being looked for
    going_on, taken = LastStep(), dict[str, int]()
    take_trial = role.Digitizer.take_trial

    def counted(digitizer: role.Digitizer, setup: DigitizerSetup) -> Capture:
        taken[going_on.now] = taken.get(going_on.now, 0) + 1
        return take_trial(digitizer, setup)

    monkeypatch.setattr(role.Digitizer, "take_trial", counted)
    # when nothing but the place of the probe is known
    (found,) = run_text(UNKNOWN.format(node=node), seed=204, progress=going_on).measurements
    # then the settings are found all the same
    assert not found.error
    told = "no period, as the line moves by" if node in QUIET else "period"
    assert any(f"auto time base: {told} " in remark for remark in found.remarks)
    assert 1 <= taken["finding the range"] <= MOST_RECORDS
    assert 1 <= taken["finding the period of node"] <= MOST_RECORDS


def test_no_record_of_the_search_is_longer_than_the_memory() -> None:
    short = PeriodSearch(Extent(0.0, 1.0), fastest=1e-9, most_points=1000)
    flat = Waveform(np.zeros(1000, dtype=np.int8), interval=short.setting.interval)
    short.see(flat)
    assert short.setting.points <= 1000
