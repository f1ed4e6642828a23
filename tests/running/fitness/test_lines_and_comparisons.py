"""Fitness of limits on decoded lines, comparisons and rare shots: what breaks each rule, and a twin that keeps it.

Expected numbers are computed here from the figures of the shipped profile: 100 MHz, 8 bits, 1.5 % of gain, 0.5 % of
range and 1 mV of offset, 0.1 % of range and 100 uV of noise, 200 ps of skew; probes of 10x, 12 pF, 200 MHz, 1 %.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

import wavewright as ww
from tests.running.fitness.test_examination import half_width
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.recipe.load import parse_recipe
from wavewright.running.fitness.finding import FitnessFinding
from wavewright.running.fitness.rare_shots import chance_to_see
from wavewright.running.fitness.rules import FitnessRule
from wavewright.running.run import prepare

HEAD = "wavewright: 1\ntitle: A set-up to be examined\nmeasurements:\n"
WIDE = "range: 8 V, offset: 2 V"
UART_9600 = "bus: uart, tx: s, baud: 9600"
ERRORS = "r: {metric: frame_errors, of: line, limit: exactly 0}"


def line(
    decode: str, compute: str = ERRORS, *, timebase: str = "span: 40 ms, rate: 250 kHz", more: str = WIDE,
    second: str = "", trigger: str = "mode: normal, on: s, edge: falling, level: 1 V", expect: str = "",
) -> str:  # fmt: skip
    """One measurement with a decoded line."""
    other = f", t: {{input: 2, {second or WIDE}}}" if "t" in [word.strip("{},") for word in decode.split()] else ""
    computed = f"    compute: {{{compute}}}\n" if compute else ""
    return (
        f"{HEAD}  one:\n    channels: {{s: {{input: 1, {more}}}{other}}}\n    timebase: {{{timebase}}}\n"
        f"    trigger: {{{trigger}}}\n    decode: {{line: {{{decode}}}}}\n{expect}{computed}"
    )


def compared(
    limits: str, *, now: str = f"input: 1, {WIDE}", before: str = f"input: 1, {WIDE}", span: str = "20 us"
) -> str:
    text = HEAD
    for name, channel in (("first", before), ("second", now)):
        text += f"  {name}:\n    channels: {{s: {{{channel}}}}}\n    timebase: {{span: {span}, rate: 250 MHz}}\n"
    return f"{text}    compare: {{c: {{with: first, {limits}}}}}\n"


def rare(shots: int, number: int, limit: str) -> str:
    counted = f"rare: {number}, rare_shots: {limit}"
    return (
        f"{HEAD}  one:\n    channels: {{s: {{input: 1, {WIDE}}}}}\n    timebase: {{span: 1 ms, points: 1000}}\n"
        f"    shots: {shots}\n    persistence: {{{counted}}}\n"
    )


def masked(*areas: str) -> str:
    polygons = ", ".join(areas)
    return (
        f"{HEAD}  one:\n    channels: {{s: {{input: 1, {WIDE}}}}}\n    timebase: {{span: 1 ms, points: 1000}}\n"
        f"    persistence: {{mask: {{polygons: [{polygons}]}}, violations: exactly 0}}\n"
    )


I2C = "bus: i2c, scl: s, sda: t, mode: standard"
SPI = "bus: spi, clock: s, mosi: t"
CAN = "bus: can, high: s, low: t, bit_rate: 500 kbit/s"
EXPECT = '    expect: {line: {find: "data = 17"}}\n'
NOISE = 0.001 * 8 + 0.001  # V rms, of 8 V at a 10x probe
STEP = 8 / 256
BOTH_NOISES = math.sqrt(2 * (NOISE**2 + STEP**2 / 12))
LN9 = math.log(9)
OWN = LN9 / (2 * math.pi) * math.hypot(1 / 200e6, 1 / 100e6)
LIMITED = math.hypot(OWN, LN9 / (2 * math.pi * 20e6))
ANYWHERE = "mode: auto, on: s, level: 1 V"
INSIDE, BEYOND = "[[0 s, 3 V], [1 ms, 3 V], [1 ms, 4 V]]", "[[0 s, 7 V], [1 ms, 7 V], [1 ms, 9 V]]"
LATER = "[[2 ms, 3 V], [3 ms, 3 V], [3 ms, 4 V]]"

# rule, what breaks it, the name of the reading, its number, whether nothing can be decided, and a twin that keeps it
ASKED = "request: data = 1, answer: data = 2"
BROKEN: list[tuple[FitnessRule, str, str, float, bool, str]] = [
    (FitnessRule.BIT_SAMPLES, line(UART_9600, timebase="span: 40 ms, rate: 25 kHz"), "r", 25 / 9.6, True,
     line(UART_9600)),
    (FitnessRule.BIT_SAMPLES, line(UART_9600, "", timebase="span: 40 ms, rate: 25 kHz", expect=EXPECT), "expect.line",
     25 / 9.6, True, line(UART_9600, "", expect=EXPECT)),
    (FitnessRule.BIT_SAMPLES, line(CAN, timebase="span: 1 ms, rate: 1 MHz"), "r", 2.0, True,
     line(CAN, timebase="span: 1 ms, rate: 25 MHz")),
    (FitnessRule.BIT_SAMPLES, line(I2C, timebase="span: 2 ms, rate: 250 kHz"), "r", 2.5, False,
     line(I2C, timebase="span: 2 ms, rate: 2.5 MHz")),
    (FitnessRule.FRAME_LENGTH,  # one character of 10 bits takes 1.04 ms
     line(UART_9600, timebase="span: 1 ms, rate: 250 kHz"), "r", (1e-3 - 4e-6) * 960, True, line(UART_9600)),
    (FitnessRule.FRAME_LENGTH,  # wherever it begins
     line(UART_9600, timebase="span: 2 ms, rate: 250 kHz", trigger=ANYWHERE), "r", (2e-3 - 4e-6) * 960, False,
     line(UART_9600, timebase="span: 4 ms, rate: 250 kHz", trigger=ANYWHERE)),
    (FitnessRule.FRAME_LENGTH,
     line(UART_9600, "r: {metric: frames, of: line, limit: exactly 50}"), "r", (40e-3 - 4e-6) * 960, True,
     line(UART_9600, "r: {metric: frames, of: line, limit: exactly 30}")),
    (FitnessRule.FRAME_LENGTH,  # four characters of 11 bits, even parity
     line(UART_9600 + ", parity: even, then: modbus_rtu", timebase="span: 4 ms, rate: 250 kHz"), "r",
     (4e-3 - 4e-6) * 9600 / 44, True, line(UART_9600 + ", parity: even, then: modbus_rtu")),
    (FitnessRule.LOGIC_LEVELS, line(UART_9600 + ", levels: 0.8 V / 2 V", more="range: 2 V, offset: 0 V"), "r", 2.0,
     True, line(UART_9600 + ", levels: 0.8 V / 2 V")),
    (FitnessRule.LOGIC_LEVELS,  # of 3 V to 4 V and 0.5 V to 1.5 V the difference is 1.5 V to 3.5 V
     line(CAN, timebase="span: 1 ms, rate: 25 MHz", more="range: 1 V, offset: 3.5 V",
          second="range: 1 V, offset: 1 V", trigger="mode: auto, on: s, level: 3.2 V"), "r", 0.5, True,
     line(CAN, timebase="span: 1 ms, rate: 25 MHz", more="range: 4 V, offset: 2.5 V",
          second="range: 4 V, offset: 2.5 V")),
    (FitnessRule.LOGIC_LEVELS, line(UART_9600 + ", levels: 1.6 V / 1.65 V"), "r",
     2 * NOISE * math.sqrt(2 * math.log(10_000)), False, line(UART_9600 + ", levels: 1.5 V / 1.8 V")),
    (FitnessRule.CLOCK_SKEW,  # a pole of 20 MHz on one of two delays by 8 ns
     line(SPI, ERRORS + ", b: {metric: bit_rate, of: line, limit: at most 20 Mbit/s}",
          timebase="span: 20 us, rate: 250 MHz", more=WIDE + ", bandwidth_limit: 20 MHz"), "r",
     200e-12 + 1 / (2 * math.pi * 20e6), False,
     line(SPI, ERRORS + ", b: {metric: bit_rate, of: line, limit: at most 20 Mbit/s}",
          timebase="span: 20 us, rate: 250 MHz")),
    (FitnessRule.EDGE_SAMPLES,
     line(SPI, "r: {metric: setup_time, of: line, limit: at least 10 ns}", timebase="span: 20 us, rate: 250 MHz"), "r",
     2.5, False,
     line(SPI, "r: {metric: setup_time, of: line, limit: at least 100 ns}", timebase="span: 20 us, rate: 250 MHz")),
    (FitnessRule.EDGE_SAMPLES,
     line(I2C, "r: {metric: fall_time, of: line, limit: published}", timebase="span: 2 ms, rate: 5 MHz"), "r", 1.5,
     True, line(I2C, "r: {metric: fall_time, of: line, limit: published}", timebase="span: 2 ms, rate: 25 MHz")),
    (FitnessRule.SETUP_SPEED,
     line(SPI, "r: {metric: hold_time, of: line, limit: at least 10 ns}", timebase="span: 20 us, rate: 250 MHz",
          more=WIDE + ", bandwidth_limit: 20 MHz", second=WIDE + ", bandwidth_limit: 20 MHz"), "r",
     LIMITED * math.log(0.7 / 0.3) / LN9, False,
     line(SPI, "r: {metric: hold_time, of: line, limit: at least 10 ns}", timebase="span: 20 us, rate: 250 MHz")),
    (FitnessRule.SETUP_SPEED,
     line(I2C.replace("standard", "fast"), "r: {metric: shortest_rise_time, of: line, limit: published}",
          timebase="span: 2 ms, rate: 250 MHz", more=WIDE + ", bandwidth_limit: 20 MHz"), "r",
     LIMITED * math.log(0.7 / 0.3) / LN9, False,
     line(I2C.replace("standard", "fast"), "r: {metric: shortest_rise_time, of: line, limit: published}",
          timebase="span: 2 ms, rate: 250 MHz")),
    (FitnessRule.RECORD_LENGTH,
     line(UART_9600, f"r: {{metric: response_time, of: line, {ASKED}, limit: at most 1 s}}"),
     "r", 40e-3 - 4e-6, True,
     line(UART_9600, f"r: {{metric: response_time, of: line, {ASKED}, limit: at most 20 ms}}")),
    (FitnessRule.REACH,
     line(I2C, "r: {metric: low_output_level, of: line, limit: at most 0.4 V}", timebase="span: 2 ms, rate: 25 MHz",
          more="range: 4 V, offset: 2.5 V"), "r", 0.0, True,
     line(I2C, "r: {metric: low_output_level, of: line, limit: at most 0.4 V}", timebase="span: 2 ms, rate: 25 MHz")),
    (FitnessRule.UNCERTAINTY,  # 200 ps of skew: 95 % of it
     line(SPI, "r: {metric: hold_time, of: line, limit: at least 500 ps}", timebase="span: 20 us, rate: 250 MHz"), "r",
     500 / 190, False,
     line(SPI, "r: {metric: hold_time, of: line, limit: at least 5 ns}", timebase="span: 20 us, rate: 250 MHz")),
    (FitnessRule.INPUT_NOISE, compared("rms: at most 40 mV"), "c.rms", BOTH_NOISES, False,
     compared("rms: at most 200 mV")),
    (FitnessRule.INPUT_NOISE, compared("largest: at most 50 mV"), "c.largest",
     BOTH_NOISES * math.sqrt(2 * math.log(5000)), True, compared("largest: at most 500 mV")),
    (FitnessRule.REACH, compared("rms: at most 20 kV"), "c.rms", 1.0, True, compared("rms: at most 2 V")),
    (FitnessRule.REACH, compared("delay: 0 s ± 15 us"), "c.delay", 1.0, True, compared("delay: 0 s ± 5 us")),
    (FitnessRule.UNCERTAINTY, compared("offset: 0 V ± 40 mV", now=f"input: 2, {WIDE}"), "c.offset",
     0.04 / half_width(0.05, 0.05, 0.015 * 0.04), True, compared("offset: 0 V ± 40 mV")),
    (FitnessRule.UNCERTAINTY, compared("gain: 100 % ± 2 pp", now=f"input: 2, {WIDE}"), "c.gain",
     0.02 / half_width(*(0.015 * 1.02,) * 2, *(0.01 * 1.02,) * 2), True, compared("gain: 100 % ± 2 pp")),
    (FitnessRule.UNCERTAINTY,
     compared("delay: 0 s ± 300 ps, align: correlation", now=f"input: 2, {WIDE}"), "c.delay", 300 / 190, False,
     compared("delay: 0 s ± 300 ps, align: correlation")),
    (FitnessRule.RARE_EVENTS, rare(1200, 500, "exactly 0"), "rare_shots",
     math.exp(-math.sqrt(2)) * (1 + math.sqrt(2)), False, rare(5000, 500, "exactly 0")),
    (FitnessRule.RARE_EVENTS, rare(600, 500, "exactly 0"), "rare_shots", math.exp(-1), True,
     rare(6000, 500, "exactly 0")),
    (FitnessRule.REACH, masked(BEYOND), "violations", 1, True, masked(INSIDE)),
    (FitnessRule.REACH, masked(LATER), "violations", 1, True, masked(INSIDE)),
    (FitnessRule.REACH, masked(INSIDE, BEYOND), "violations", 1, False, masked(INSIDE, INSIDE)),
]  # fmt: skip


def findings(text: str, bench: BenchFile) -> tuple[FitnessFinding, ...]:
    return ww.fitness(parse_recipe(text, "recipe.yaml"), bench=bench)


def of_rule(text: str, bench: BenchFile, rule: FitnessRule, name: str) -> FitnessFinding | None:
    return next((one for one in findings(text, bench) if one.rule is rule and one.name == name), None)


@pytest.mark.parametrize("row", range(len(BROKEN)), ids=[f"{row[0]} {at}" for at, row in enumerate(BROKEN)])
def test_a_rule_is_broken_and_kept(row: int, bench: BenchFile) -> None:
    rule, broken, name, number, cannot_decide, kept = BROKEN[row]
    found = of_rule(broken, bench, rule, name)
    assert found is not None, findings(broken, bench)
    assert found.number == pytest.approx(number, rel=5e-3)
    assert found.cannot_decide is cannot_decide
    assert of_rule(kept, bench, rule, name) is None
    assert str(found.place or "recipe.yaml").startswith("recipe.yaml")


@pytest.mark.parametrize("row", [row for row in range(len(BROKEN)) if BROKEN[row][4]])
def test_a_run_that_requires_fitness_does_not_start(row: int, bench: BenchFile) -> None:
    broken, kept = BROKEN[row][1], BROKEN[row][5]
    strict = broken.replace("measurements:", "fitness: required\nmeasurements:", 1)
    with pytest.raises(BenchFault, match="cannot decide"):
        prepare(parse_recipe(strict, "recipe.yaml"), bench)
    prepare(parse_recipe(kept.replace("measurements:", "fitness: required\nmeasurements:", 1), "recipe.yaml"), bench)


def test_how_likely_something_rare_is_seen_agrees_with_drawn_events() -> None:
    # events drawn here: n shots, each with the event at one rate; rare where fewer than 1 in 500 shots have it
    rng = np.random.default_rng(13)
    for shots, allowed in ((1200, 0), (3000, 0), (5000, 0), (5000, 2)):
        best = 0.0
        for expected in np.linspace(0.2, shots / 500 + 1, 40):
            counts = rng.binomial(shots, expected / shots, 40_000)
            best = max(best, float(np.mean((counts > allowed) & (counts * 500 < shots))))
        assert chance_to_see(shots, 500, allowed=allowed) == pytest.approx(best, abs=0.01)


def test_the_shots_that_are_said_to_be_enough_are(bench: BenchFile) -> None:
    found = of_rule(rare(1200, 500, "exactly 0"), bench, FitnessRule.RARE_EVENTS, "rare_shots")
    assert found is not None
    assert "none in 1200 leaves up to one in 400 (95 %)" in found.what
    enough = int(found.what.split("from ")[1].split(" shots")[0])
    assert of_rule(rare(enough, 500, "exactly 0"), bench, FitnessRule.RARE_EVENTS, "rare_shots") is None
    assert chance_to_see(enough - 60, 500) < 0.95


def test_a_waveform_in_a_file_is_taken_as_exact(bench: BenchFile) -> None:
    text = (
        f"{HEAD}  one:\n    channels: {{s: {{input: 1, {WIDE}}}}}\n    timebase: {{span: 20 us, rate: 250 MHz}}\n"
        "    compare: {c: {with: reference.npz, rms: at most 10 mV, gain: 100 % ± 1 pp}}\n"
    )
    noise = of_rule(text, bench, FitnessRule.INPUT_NOISE, "c.rms")
    assert noise is not None
    assert noise.number == pytest.approx(BOTH_NOISES / math.sqrt(2))
    gain = of_rule(text, bench, FitnessRule.UNCERTAINTY, "c.gain")
    assert gain is not None
    assert gain.cannot_decide
