"""Derived channels, decoding, comparison, persistence, and what stands at the head of a recipe beside measurements."""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable

import pytest

from tests.recipe.conftest import HEAD
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.expectation import Expectation
from wavewright.buses.frame_metrics import frame_metrics, metrics_of_bus
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.judgement.limits import Limit
from wavewright.quantities import Interval, read_interval
from wavewright.recipe.comparison import Alignment, Comparison
from wavewright.recipe.decoded_line import Decoding
from wavewright.recipe.derived import Derived
from wavewright.recipe.frame_conditions import KeepIf
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.measurement import Measurement

Complaint = Callable[[str | bytes], str]

COIL = """\
  coil:
    channels:
      high: {input: 1, range: 30 V}
      low: {input: 2, range: 30 V}
    derived:
      current: (high - low) / 0.1 ohm
      power: current * high
    timebase: {span: 2 ms, points: 10k}
    trigger: {on: high}
    compute:
      peak: {metric: maximum, of: current, limit: at most 400 mA}
      loss: {metric: mean, of: power, limit: at most 2 W}
"""

TELEGRAM = """\
  telegram:
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, rate: 2 MHz}
    trigger: {mode: normal, on: tx, edge: falling, level: 1.65 V}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even, then: modbus_rtu}}
    keep_if: {line: {holds: "11 03"}, within: 20 shots}
    expect: {line: {find: address = 17 and clean}}
    compute:
      telegram_errors: {metric: frame_errors, of: line, limit: exactly 0}
"""

CLOCK = """\
  clock_before:
    channels: {clock: {input: 1}}
    timebase: {span: 2 us, points: 10k}
  clock:
    channels: {clock: {input: 1}}
    timebase: {span: 2 us, points: 10k}
    compare:
      loading: {of: clock, with: clock_before, align: correlation, rms: at most 50 mV, delay: at most 1 ns,
        gain: 95 % .. 105 %, metrics: [rise_time, frequency], source_impedance: 33 ohm}
      golden: {with: stored/clock.h5, largest: at most 0.2 V}
    persistence: {of: clock, columns: 500, rows: 128, rare: 500, rare_shots: exactly 0, violations: exactly 0,
      mask: {polygons: [[[0 ns, 1 V], [10 ns, 1 V], [5 ns, 2 V]]]}}
    shots: 501
"""


def only(text: str, name: str) -> Measurement:
    (measurement,) = parse_recipe(HEAD + text, "recipe.yaml")[name]
    return measurement


def test_a_derived_channel_has_the_unit_of_its_expression() -> None:
    coil = only(COIL, "coil")
    assert coil.derived == {
        "current": Derived("current", "(high - low) / 0.1 ohm", ("high", "low"), "A"),
        "power": Derived("power", "current * high", ("current", "high"), "W"),
    }
    assert (coil.compute["peak"].unit, coil.compute["loss"].limit) == ("A", Limit.read("at most 2 W", unit="W"))


def test_a_line_is_decoded_and_its_frames_are_measured() -> None:
    telegram = only(TELEGRAM, "telegram")
    assert telegram.decode == {
        "line": Decoding("line", "uart", {"tx": "tx"}, "modbus_rtu", {"baud": "19200", "parity": "even"})
    }
    errors = telegram.compute["telegram_errors"]
    assert (errors.on_frames, errors.of, errors.limit) == (True, ("line",), Limit.read("exactly 0", unit="count"))


def test_a_list_of_one_line_is_a_line() -> None:
    telegram = only(TELEGRAM.replace("of: line, limit", "of: [line], limit"), "telegram")
    assert telegram.compute["telegram_errors"].on_frames


def test_a_shot_is_kept_if_its_frames_hold_what_is_looked_for() -> None:
    telegram = only(TELEGRAM, "telegram")
    assert telegram.keep_if == KeepIf({"line": Expectation(holds=b"\x11\x03")}, shots=20)
    assert telegram.expect == {"line": Expectation.read({"find": "address = 17 and clean"})}


@pytest.mark.parametrize(
    "written, shots, time", [("5 s", None, 5.0), ("1 shot", 1, None), ("2k shots, 500 ms", 2000, 0.5)]
)
def test_waiting_ends_after_shots_or_time(written: str, shots: int | None, time: float | None) -> None:
    keep_if = only(TELEGRAM.replace("20 shots", f"'{written}'"), "telegram").keep_if
    assert keep_if is not None
    assert (keep_if.shots, keep_if.time) == (shots, time)


def test_a_waveform_is_compared_with_another_measurement_or_a_file() -> None:
    compare = only(CLOCK, "clock").compare
    assert compare["loading"] == Comparison(
        name="loading",
        of="clock",
        measurement="clock_before",
        file="",
        channel="clock",
        align=Alignment.CORRELATION,
        limits={
            "rms": Limit.read("at most 50 mV", unit="V"),
            "delay": Limit.read("at most 1 ns", unit="s"),
            "gain": Limit.read("95 % .. 105 %", unit="1"),
        },
        metrics=("rise_time", "frequency"),
        source_impedance=StatedQuantity(33.0, "ohm", "33 ohm"),
    )
    assert (compare["golden"].file, compare["golden"].measurement, compare["golden"].of) == (
        "stored/clock.h5",
        "",
        "clock",
    )


def test_a_derived_channel_of_another_measurement_can_be_compared_with() -> None:
    again = COIL.replace("  coil:", "  again:").replace(
        "    timebase", "    compare: {coil: {of: current, with: coil}}\n    timebase"
    )
    compare = only(COIL + again, "again").compare
    assert (compare["coil"].measurement, compare["coil"].channel) == ("coil", "current")


def test_traces_are_laid_over_each_other_with_a_mask() -> None:
    persistence = only(CLOCK, "clock").persistence
    assert persistence is not None
    assert (persistence.columns, persistence.rows, persistence.rare) == (500, 128, 500)
    assert persistence.violations == Limit.read("exactly 0", unit="count")
    assert persistence.mask is not None
    assert persistence.mask.polygons[0][1] == (StatedQuantity(10e-9, "s", "10 ns"), StatedQuantity(1.0, "V", "1 V"))


def test_a_derived_channel_may_be_laid_over_itself() -> None:
    text = COIL + "    persistence: {of: current}\n"
    persistence = only(text, "coil").persistence
    assert persistence is not None
    assert persistence.of == "current"


def test_the_head_says_how_serial_numbers_look_and_whether_to_cross_check() -> None:
    head = "serial: {pattern: 'VC204-\\d{4}'}\ncross_check: true\n" + HEAD
    recipe = parse_recipe(head + COIL, "recipe.yaml")
    assert (recipe.serial_pattern, recipe.cross_check) == (r"VC204-\d{4}", True)
    assert not parse_recipe(HEAD + COIL, "recipe.yaml").cross_check


@pytest.mark.parametrize("text", [COIL, TELEGRAM, CLOCK])
def test_every_key_survives_pickling(text: str) -> None:
    recipe = parse_recipe(HEAD + text, "recipe.yaml")
    assert pickle.loads(pickle.dumps(recipe)) == recipe


SENSOR = """\
  sensor:
    channels: {scl: {input: 1, range: 8 V}, sda: {input: 2, range: 8 V}}
    timebase: {span: 2 ms, rate: 25 MHz}
    trigger: {mode: normal, on: sda, edge: falling, level: 1.65 V}
    decode: {line: {bus: i2c, scl: scl, sda: sda, mode: fast, levels: i2c 3.3 V}}
    compute:
      low_period: {of: line, limit: published}
      load: {metric: bus_capacitance, of: line, pull_up: 2.2 kohm, limit: at most 100 pF}
      edge: {metric: rise_time, of: scl, limit: at most 1 us}
"""


@pytest.mark.parametrize(
    "mode, above, limit",
    [  # tLOW of UM10204, table 10 (revision 6/7, as restated in component data; Fast-mode Plus and SMBus from memory)
        ("standard", "", Interval(4.7e-6, math.inf, "s")),
        ("fast", "", Interval(1.3e-6, math.inf, "s")),
        ("fast_plus", "", Interval(0.5e-6, math.inf, "s")),
        ("standard", ", then: smbus", Interval(4.7e-6, math.inf, "s")),
    ],
)
def test_a_published_limit_is_that_of_the_mode(mode: str, above: str, limit: Interval) -> None:
    compute = only(SENSOR.replace("mode: fast", f"mode: {mode}{above}"), "sensor").compute
    assert compute["low_period"].limit is not None
    assert compute["low_period"].limit.interval == limit
    assert read_interval(str(compute["low_period"].limit), unit="s") == limit, "reports read the words again"
    assert compute["load"].options == {"pull_up": "2.2 kohm"}
    assert (compute["load"].on_frames, compute["edge"].on_frames) == (True, False)


def test_a_limit_that_only_smbus_publishes_holds_where_that_is_the_layer() -> None:
    text = SENSOR.replace("low_period: {of", "longest_low_period: {of").replace("mode: fast", "then: smbus")
    (wanted, *_) = only(text, "sensor").compute.values()
    assert wanted.limit is not None
    assert str(wanted.limit) == "at most 25 ms"  # SMBus, tTIMEOUT,MIN (from memory, not verified)


MASK = "mask: {polygons: [[[0 ns, 1 V], [10 ns, 1 V], [5 ns, 2 V]]]}"
FAULTS = [
    (COIL, "(high - low) / 0.1 ohm", "(high - lo) / 0.1 ohm",
     "recipe.yaml:13:24: unknown channel `lo`\n"
     "  expected: one of high, low\n  do: did you mean `low`?"),
    (COIL, "(high - low) / 0.1 ohm", "high - 0.1 ohm",
     "recipe.yaml:13:21: `-` between V and ohm\n  expected: the same unit on both sides"),
    (COIL, "(high - low) / 0.1 ohm", '"(high - lo) / 0.1 ohm"',
     "recipe.yaml:13:25: unknown channel `lo`\n  expected: one of high, low\n  do: did you mean `low`?"),
    (COIL, "current * high", "import os",
     "recipe.yaml:14:21: `os` is not expected here\n  expected: an operator, or the end"),
    (COIL, "      power: current", "      high: current",
     "recipe.yaml:14:7: `high` is a channel already\n  expected: a name of its own\n"
     "recipe.yaml:19:32: there is no channel `power`\n  expected: one of high, low, current"),
    (COIL, "      power: current * high", "      power:",
     "recipe.yaml:14:7: `power` has no expression\n  expected: such as `high - low`"),
    (COIL, "at most 400 mA", "at most 400 mV",
     "recipe.yaml:18:51: `400 mV` is a voltage\n  expected: a current, such as `1.5 A`"),
    (TELEGRAM, "bus: uart", "bus: uarts",
     f"recipe.yaml:12:26: unknown bus `uarts`\n  expected: one of {', '.join(buses())}\n  do: did you mean `uart`?"),
    (TELEGRAM, "then: modbus_rtu", "then: smbus",
     "recipe.yaml:12:73: unknown layer on `uart` `smbus`\n"
     f"  expected: one of {', '.join(name for name, layer in layers().items() if 'uart' in layer.on)}"),
    (TELEGRAM, "of: line", "of: tx}\n      line: {metric: rms, of: tx",
     "recipe.yaml:16:33: metric `frame_errors` is over frames\n  expected: a decoded line after `of`\n"
     "recipe.yaml:17:42: `0` has no unit\n  expected: a voltage, such as `24 V`\n"
     "  do: write `0 V` or `0 mV` or `0 uV`, whichever is meant"),
    (TELEGRAM, "decode: {line", "decode: {tx: {bus: uart, tx: tx}, line",
     "recipe.yaml:12:14: `tx` is a channel already\n  expected: a name of its own"),
    (TELEGRAM, "tx: tx,", "tx: rx,",
     "recipe.yaml:12:36: there is no channel `rx`\n  expected: one of tx"),
    (TELEGRAM, "parity: even", "parity: evn",
     "recipe.yaml:12:61: `parity` is `evn`\n  expected: one of none, even, odd, mark, space"),
    (TELEGRAM, "parity: even", "parrity: even",
     "recipe.yaml:12:53: unknown key `parrity` of bus `uart`\n  expected: one of bus, then, levels, about, tx, baud, "
     "data_bits, parity, stop_bits, inverted, bit_order, silence\n  do: did you mean `parity`?"),
    (TELEGRAM, "bus: uart, tx: tx", "bus: uart",
     "recipe.yaml:12:14: bus `uart` from channels none\n  expected: `tx` (those with a ? may be left out)"),
    (TELEGRAM, "within: 20 shots", "within: 20",
     "recipe.yaml:13:47: `20` has no unit\n  expected: `20 shots`, `30 s`, or both: `\"20 shots, 30 s\"`\n"
     "  do: write `20 shots`"),
    (TELEGRAM, ", within: 20 shots", "",
     "recipe.yaml:13:14: `keep_if` has no limit for waiting\n"
     '  expected: `within:` `20 shots`, `30 s`, or both: `"20 shots, 30 s"`'),
    (TELEGRAM, "within: 20 shots", "within: 20 shots, 30 s",
     'recipe.yaml:13:57: `30 s` in `keep_if` is not a line\n'
     '  expected: `within:` `20 shots`, `30 s`, or both: `"20 shots, 30 s"`\n'
     "  do: put both limits in quotes: between { and } a comma ends an entry"),
    (TELEGRAM, "line: {holds", "lime: {holds",
     "recipe.yaml:13:15: there is no decoded line `lime`\n  expected: one of line\n  do: did you mean `line`?"),
    (TELEGRAM, '"11 03"', '"11 3"',
     'recipe.yaml:13:29: bytes "11 3"\n  expected: pairs of hex digits, such as "11 03"'),
    (TELEGRAM, '{holds: "11 03"}', "{holds: }",
     "recipe.yaml:13:21: `line` has no condition\n"
     "  expected: `holds: \"11 03\"`, `text: \"OK\"` or `find: \"address = 0x48\"`"),
    (TELEGRAM, '{holds: "11 03"}', "11 03",
     "recipe.yaml:13:21: `line` has no condition\n"
     "  expected: `holds: \"11 03\"`, `text: \"OK\"` or `find: \"address = 0x48\"`"),
    (TELEGRAM, 'line: {holds: "11 03"}, ', "",
     "recipe.yaml:13:14: `keep_if` does not name a line\n"
     "  expected: `line:` with `holds: \"11 03\"`, `text: \"OK\"` or `find: \"address = 0x48\"`"),
    (TELEGRAM, "expect: {line: {find: address = 17 and clean}}", "expect: {}",
     "recipe.yaml:14:13: `expect` does not name a line\n"
     "  expected: `line:` with `holds: \"11 03\"`, `text: \"OK\"` or `find: \"address = 0x48\"`"),
    (TELEGRAM, "20 shots", "2.5 shots",
     "recipe.yaml:13:47: `2.5 shots` is not a number of shots\n"
     '  expected: `20 shots`, `30 s`, or both: `"20 shots, 30 s"`'),
    (TELEGRAM, "{holds:", "{contains:",
     "recipe.yaml:13:22: `contains` is no longer a key\n  expected: `holds`\n  do: write `holds`"),
    (TELEGRAM, "{holds:", "{hollds:",
     "recipe.yaml:13:22: unknown key `hollds` in `measurements.telegram.keep_if.line`\n"
     "  expected: one of find, holds, text\n  do: did you mean `holds`?"),
    (TELEGRAM, "metric: frame_errors", "metric: rise_time",
     "recipe.yaml:16:33: metric `rise_time` is over waveforms\n  expected: a channel after `of`, not a decoded line"),
    (TELEGRAM, "of: line, limit", "of: tx, limit",
     "recipe.yaml:16:33: metric `frame_errors` is over frames\n  expected: a decoded line after `of`"),
    (TELEGRAM, "of: line, limit", "of: lime, limit",
     "recipe.yaml:16:51: there is no channel `lime`\n  expected: one of tx, line\n  do: did you mean `line`?"),
    (SENSOR, "limit: published", "limit: publshed",
     "recipe.yaml:14:37: `publshed` is not a number\n  expected: a time, such as `500 us`"),
    (SENSOR, "low_period: {of: line", "low_perod: {of: line",
     f"recipe.yaml:14:7: unknown metric over frames `low_perod`\n"
     f"  expected: one of {', '.join(metrics_of_bus('i2c'))}\n  do: did you mean `low_period`?"),
    (SENSOR, "low_period: {of: line", "setup_time: {data: mosi, of: line",
     "recipe.yaml:14:7: metric `setup_time` is over waveforms\n"
     "  expected: a channel after `of`, not a decoded line"),
    (SENSOR, "low_period: {of: line", "select_setup_time: {of: line",
     "recipe.yaml:14:7: metric `select_setup_time` is over the lines of bus `spi`\n"
     "  expected: a line of bus `spi` after `of`, not one of bus `i2c`"),
    (SENSOR, "low_period: {of: line", "longest_low_period: {of: line",
     "recipe.yaml:14:45: `longest_low_period` has no published limit in mode `fast`\n"
     "  expected: a limit of your own, or smbus"),
    (SENSOR, "low_period: {of: line", "frames: {of: line",
     "recipe.yaml:14:33: metric `frames` has no published limit\n"
     "  expected: a limit of your own, such as `at most X`; published ones have "
     + ", ".join(name for name, each in frame_metrics().items() if getattr(each, "published", None))),
    (SENSOR, "limit: at most 1 us", "limit: published",
     "recipe.yaml:16:49: metric `rise_time` of a channel has no published limit\n  expected: a limit in words"),
    (SENSOR, "pull_up: 2.2 kohm, ", "",
     "recipe.yaml:15:7: metric `bus_capacitance` needs `pull_up`\n  expected: `pull_up` beside `metric`"),
    (SENSOR, "mode: fast", "mode: fasst",
     "recipe.yaml:12:57: `mode` is `fasst`\n  expected: one of standard, fast, fast_plus"),
    (CLOCK, "with: clock_before", "with: clock_befor",
     "recipe.yaml:15:34: there is no measurement `clock_befor` above\n  expected: one of clock_before, or a file\n"
     "  do: did you mean `clock_before`?"),
    (CLOCK, "with: clock_before", "with: clock_before.clk",
     "recipe.yaml:15:34: measurement `clock_before` has no channel `clk`\n  expected: one of clock"),
    (CLOCK, "with: clock_before", "with: clock",
     "recipe.yaml:15:34: a comparison with itself\n  expected: a measurement above this one, or a file"),
    (CLOCK, "metrics: [rise_time, frequency]", "metrics: delay",
     "recipe.yaml:16:39: metric `delay` is between channels\n  expected: a metric of one channel"),
    (CLOCK, "align: correlation", "align: corelation",
     "recipe.yaml:15:55: `align` is `corelation`\n  expected: one of trigger, correlation\n"
     "  do: did you mean `correlation`?"),
    (CLOCK, "metrics: [rise_time, frequency]", "metrics: [rise_time, frequenzy]",
     "recipe.yaml:16:51: unknown metric `frequenzy`\n  expected: a name that `wavewright metrics` lists\n"
     "  do: did you mean `frequency` or `sine_frequency`?"),
    (CLOCK, MASK, "mask: {around: a.h5}",
     "recipe.yaml:19:13: a mask that is neither polygons nor a band\n"
     "  expected: `polygons`, or `around` with `time`, `level` or both"),
    (CLOCK, MASK, "mask: {around: a.h5, voltage: 50 mV}",
     "recipe.yaml:19:28: unknown key `voltage` in `measurements.clock.persistence.mask`\n"
     "  expected: one of around, level, polygons, time\n"
     "  do: did you mean `level`?"),
    (CLOCK, MASK, "mask: {polygons: [[[0 ns, 1 V], [10 ns, 1 V]]]}",
     "recipe.yaml:19:25: `polygons item 1` holds 2\n  expected: at least 3"),
    (CLOCK, ",\n      " + MASK, "",
     "recipe.yaml:18:18: `violations` without a mask\n  expected: `mask:` beside it"),
    (CLOCK, "rare: 500, ", "",
     "recipe.yaml:18:18: `rare_shots` without `rare`\n  expected: `rare:` beside it, such as `rare: 500`"),
    (CLOCK, "columns: 500", "columns: 1M",
     "recipe.yaml:18:18: 1000000 columns and 128 rows\n  expected: at most 10000000 cells"),
    (CLOCK, "violations: exactly 0", "violations: 0",
     "recipe.yaml:18:101: `0` alone is neither an upper nor a lower limit\n"
     "  expected: `at most X`, `at least X`, `A .. B`, `X ± Y`, `X ± P %` or `exactly X`, each a number\n"
     "  do: write `at most 0`, `at least 0` or `exactly 0`"),
    (CLOCK, "{of: clock, columns", "{of: clk, columns",
     "recipe.yaml:18:23: there is no channel `clk`\n  expected: one of clock\n  do: did you mean `clock`?"),
]  # fmt: skip


def test_an_expression_that_is_wrong_spoils_no_limit(complaint: Complaint) -> None:
    text = COIL.replace("(high - low) / 0.1 ohm", "(high - lo) / 0.1 ohm")
    text += "    compare: {before: {of: current, with: stored/coil.h5, rms: at most 1 mA, gain: 99 % .. 101 %}}\n"
    assert complaint(HEAD + text) == (
        "recipe.yaml:13:24: unknown channel `lo`\n  expected: one of high, low\n  do: did you mean `low`?"
    )


@pytest.mark.parametrize("text, stands, instead, message", FAULTS, ids=[row[2][:40] or row[1][:40] for row in FAULTS])
def test_a_fault_is_named_with_its_place_and_what_would_be_right(
    complaint: Complaint, text: str, stands: str, instead: str, message: str
) -> None:
    assert stands in text
    assert complaint(HEAD + text.replace(stands, instead, 1)) == message
