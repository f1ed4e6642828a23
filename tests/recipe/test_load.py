"""Loading recipes: what arrives, and what is said about each fault."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.recipe.conftest import COIL_DRIVE, HEAD, RAIL_NOISE
from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.judgement.limits import Limit
from wavewright.quantities import Interval
from wavewright.recipe.load import load_recipe, parse_recipe
from wavewright.running.selection import roles_of

Complaint = Callable[[str | bytes], str]
RECIPE = HEAD + RAIL_NOISE + COIL_DRIVE


def test_a_recipe_arrives_in_si_with_its_texts_and_places() -> None:
    rail_noise = parse_recipe(RECIPE, "end_of_line.yaml").measurements[0]
    rail = rail_noise.channels["rail"]
    assert rail.range == StatedQuantity(0.1, "V", "100 mV")
    assert isinstance(rail.range, StatedQuantity)
    assert rail.range.place == Place("end_of_line.yaml", 11, 45)
    assert (rail.coupling, rail.probe, rail.bandwidth_limit) == (
        "ac",
        StatedQuantity(1, "x", "1x"),
        StatedQuantity(20e6, "Hz", "20 MHz"),
    )
    assert rail_noise.timebase.samples == 50_000
    assert (rail_noise.shots, rail_noise.trigger_channel, rail_noise.label) == (16, "rail", "rail_noise")
    ripple = rail_noise.compute["ripple"]
    assert (ripple.metric, ripple.of, ripple.unit, ripple.over) == ("peak_to_peak", ("rail",), "V", "max")
    assert ripple.limit == Limit(Interval(float("-inf"), 0.04, "V"), "at most 40 mV")


def test_a_recipe_keeps_its_text_its_hash_and_its_name() -> None:
    recipe = parse_recipe(RECIPE, "recipes/end_of_line.yaml")
    assert recipe.text == RECIPE
    assert recipe.sha256 == hashlib.sha256(RECIPE.encode()).hexdigest()
    assert (recipe.name, recipe.part) == ("end_of_line", "VC-204")
    assert set(roles_of(recipe)) == {"digitizer", "supply", "source"}


def test_for_each_makes_one_measurement_of_every_value() -> None:
    recipe = parse_recipe(RECIPE, "end_of_line.yaml")
    first, second, third = recipe["coil_drive"]
    assert [step.label for step in (first, second, third)] == [
        "coil_drive[duty=10 %]", "coil_drive[duty=40 %]", "coil_drive[duty=90 %]",
    ]  # fmt: skip
    assert first.stimulus[0].source is not None
    assert first.stimulus[0].source.duty_factor == StatedQuantity(0.1, "1", "10 %")
    assert third.compute["duty_factor"].limit == Limit(Interval(0.89, 0.91, "1"), "90 % ± 1 pp")
    assert recipe["coil_drive[duty=40 %]"] == (second,)


def test_a_recipe_survives_pickling() -> None:
    recipe = parse_recipe(RECIPE, "end_of_line.yaml")
    again = pickle.loads(pickle.dumps(recipe))
    assert again == recipe
    assert again.measurements[2].label == "coil_drive[duty=40 %]"


def test_a_parameter_has_its_default_unless_the_run_sets_it() -> None:
    text = RECIPE.replace("    for_each: {duty: [10 %, 40 %, 90 %]}\n", "")
    assert parse_recipe(text, "r.yaml").measurements[1].compute["duty_factor"].limit == Limit.read(
        "40 % ± 1 pp", unit="1"
    )
    changed = parse_recipe(text, "r.yaml", set={"duty": "30%"})
    assert changed.parameters == {"duty": "30%"}
    assert changed.measurements[1].stimulus[0].source.duty_factor == StatedQuantity(0.3, "1", "30%")  # type: ignore[union-attr]


def test_a_parameter_may_be_true_or_false() -> None:
    text = HEAD.replace("{default: 40 %", "{default: true") + (
        "  telegram:\n    channels: {tx: {input: 1}}\n    timebase: {span: 40 ms, rate: 2 MHz}\n"
        "    decode: {line: {bus: uart, tx: tx, inverted: $duty}}\n"
    )
    (telegram,) = parse_recipe(text, "r.yaml")
    assert telegram.decode["line"].options == {"inverted": True}
    (telegram,) = parse_recipe(text, "r.yaml", set={"duty": "false"})
    assert telegram.decode["line"].options == {"inverted": False}
    with pytest.raises(FileFault, match="`inverted` is `true`\n  expected: true or false"):  # in quotes it is a text
        parse_recipe(text.replace("$duty", "'$duty'"), "r.yaml")


def test_several_names_make_every_combination_the_last_running_fastest() -> None:
    text = HEAD + COIL_DRIVE.replace("{duty: [10 %, 40 %]", "").replace(
        "for_each: {duty: [10 %, 40 %, 90 %]}", "for_each: {duty: [10 %, $duty], level: [1 V, 2 V]}"
    ).replace("of: drive,", "of: drive, level: $level,")
    recipe = parse_recipe(text, "r.yaml")
    assert [dict(measurement.condition) for measurement in recipe] == [
        {"duty": "10 %", "level": "1 V"}, {"duty": "10 %", "level": "2 V"},
        {"duty": "40 %", "level": "1 V"}, {"duty": "40 %", "level": "2 V"},
    ]  # fmt: skip
    assert recipe.measurements[3].label == "coil_drive[duty=40 %, level=2 V]"
    assert recipe.measurements[3].compute["duty_factor"].options == {"level": "2 V"}


def test_a_sweep_with_too_many_conditions_is_refused(complaint: Complaint) -> None:
    values = ", ".join(f"{number} %" for number in range(1, 33))
    text = HEAD + COIL_DRIVE.replace("{duty: [10 %, 40 %, 90 %]}", f"{{duty: [{values}], other: [{values}]}}")
    text = text.replace("of: drive,", "of: drive, level: $other,")
    assert complaint(text) == "recipe.yaml:12:15: 1024 conditions\n  expected: at most 1000"


@pytest.mark.parametrize("rest", ["", "    place: Set $duties.\n    shots: $other\n"])
def test_a_condition_that_nothing_refers_to_is_refused(rest: str, complaint: Complaint) -> None:
    text = HEAD + (
        "  clock:\n    channels: {clock: {input: 1}}\n    timebase: {span: 2 us, points: 10k}\n"
        f"    for_each: {{duty: [10 %, 40 %]}}\n{rest}"
    )
    assert complaint(text).splitlines()[:3] == [
        "recipe.yaml:11:16: nothing in the measurement has `$duty`: it would be the same under each condition",
        "  expected: `$duty` in a value",
        "  do: write `$duty` where the values belong, or remove `duty`",
    ]
    said = text.replace(rest, "") + "    place: Set the source to $duty.\n"
    assert len(parse_recipe(said, "r.yaml").measurements) == 2, "the operator may be the one who is told"


def test_setting_a_parameter_that_there_is_not_names_the_nearest() -> None:
    with pytest.raises(Misuse) as caught:
        parse_recipe(RECIPE, "r.yaml", set={"dutty": "30 %"})
    assert (
        str(caught.value) == "the recipe has no parameter `dutty`\n  expected: one of duty\n  do: did you mean `duty`?"
    )


def test_a_value_that_was_set_is_checked_where_it_is_used() -> None:
    text = RECIPE.replace("    for_each: {duty: [10 %, 40 %, 90 %]}\n", "")
    with pytest.raises(FileFault) as caught:
        parse_recipe(text, "r.yaml", set={"duty": "3 V"})
    assert str(caught.value.faults[0]) == "r.yaml:21:77: `3 V` is a voltage\n  expected: a ratio, such as `40 %`"


# (what stands in the recipe, what is put there instead, the whole message)
FAULTS = [
    ("    timebase: {span", "    time_base: {span",
     "recipe.yaml:9:5: `timebase` is missing in `measurements.rail_noise`\n"
     "  expected: how long is recorded, and how densely\n"
     "recipe.yaml:12:5: unknown key `time_base` in `measurements.rail_noise`\n"
     "  expected: one of KEYS\n  do: did you mean `timebase`?"),
    ("range: 100 mV", "range: 100",
     "recipe.yaml:11:45: `100` has no unit\n  expected: a voltage, such as `24 V`, or `auto`\n"
     "  do: write `100 V` or `100 mV` or `100 uV`, whichever is meant"),
    ("range: 100 mV", "range: 100 Mv",
     "recipe.yaml:11:45: `100 Mv`: there is no unit `Mv`, capitals count\n"
     "  expected: a voltage, such as `24 V`, or `auto`\n  do: write `100 mV` or `100 MV`"),
    ("range: 100 mV", "range: 0 V",
     "recipe.yaml:11:45: `0 V` is out of range here\n  expected: at least 1 nV and at most 1 MV, or `auto`"),
    ("range: 100 mV", "range: [1, 2]",
     "recipe.yaml:11:45: a list where a quantity is required\n  expected: a voltage, such as `24 V`, or `auto`"),
    ("coupling: ac", "coupling: acc",
     "recipe.yaml:11:34: `coupling` is `acc`\n  expected: one of dc, ac, ground\n  do: did you mean `ac`?"),
    ("probe: 1x", "probe: 1",
     "recipe.yaml:11:73: `1` has no unit\n  expected: a factor, such as `10x`\n  do: write `1x`"),
    ("rate: 25 MHz", "rate: 25 mHz",
     "recipe.yaml:12:34: `25 mHz` is out of range here\n  expected: at least 1 Hz and at most 1 THz\n"
     "  do: did you mean `25 MHz`?"),
    ("rate: 25 MHz", "rate: 25 MHz, points: 10k",
     "recipe.yaml:12:22: `span` with both `rate` and `points`\n"
     "  expected: `span` with `rate` or `points`, or `cycles`"),
    (", rate: 25 MHz", "",
     "recipe.yaml:12:22: `span` with neither `rate` nor `points`\n"
     "  expected: `span` with `rate` or `points`, or `cycles`"),
    ("span: 2 ms, rate: 25 MHz", "span: 2 ns, rate: 25 MHz",
     "recipe.yaml:12:22: `span: 2 ns` holds 0 samples\n  expected: at least 2"),
    ("span: 2 ms, rate: 25 MHz", "span: 2 ms, points: 1",
     "recipe.yaml:12:22: `span: 2 ms` holds 1 sample\n  expected: at least 2"),
    ("span: 2 ms, ", "",
     "recipe.yaml:12:15: the time base has no span\n  expected: `span` with `rate` or `points`, or `cycles`"),
    ("cycles: 20", "cycles: 20, span: 1 ms",
     "recipe.yaml:19:34: `span` beside `cycles`\n  expected: `span` with `rate` or `points`, or `cycles`"),
    ("rate: 25 MHz", "rate: 25 MHz, before_trigger: 2 ms",
     "recipe.yaml:12:58: `before_trigger: 2 ms` is as long as the span\n  expected: less than 2 ms"),
    ("on: rail", "on: rial",
     "recipe.yaml:13:31: there is no channel `rial`\n  expected: one of rail\n  do: did you mean `rail`?"),
    ("level: 0 V", "level: 60 mV",
     "recipe.yaml:13:58: `rail` cannot cross `level: 60 mV`, which is outside of its range\n"
     "  expected: a level within -50 mV .. 50 mV\n"
     "  do: put `level` into the range, or change `range` and `offset` of `rail`"),
    ("shots: 16", "shots: 0", "recipe.yaml:14:12: `0` is not a count\n  expected: a whole number, at least 1"),
    ("shots: 16", "shots: 1.5", "recipe.yaml:14:12: `1.5` is not a count\n  expected: a whole number, at least 1"),
    ("metric: peak_to_peak", "metric: peak_to_peek",
     "recipe.yaml:16:24: unknown metric `peak_to_peek`\n  expected: a name that `wavewright metrics` lists\n"
     "  do: did you mean `peak_to_peak`?"),
    ("metric: peak_to_peak, of: rail, limit: at most 40 mV", "metric: time_between, of: rail, from: falling 1 V",
     "recipe.yaml:16:7: metric `time_between` needs `to`\n  expected: `to` beside `metric`"),
    ("metric: peak_to_peak, of: rail, limit: at most 40 mV",
     "metric: time_between, from: falling 20 mV, to: rising 60 mV",
     "recipe.yaml:16:7: `rail` cannot cross `to: rising 60 mV`, which is outside of its range\n"
     "  expected: a level within -50 mV .. 50 mV\n"
     "  do: put `to` into the range, or change `range` and `offset` of `rail`"),
    ("metric: peak_to_peak, of: rail, limit: at most 40 mV", "metric: glitches, level: -51 mV, hysteresis: 80 mV",
     "recipe.yaml:16:7: `rail` cannot cross `level: -51 mV`, which is outside of its range\n"
     "  expected: a level within -50 mV .. 50 mV\n"
     "  do: put `level` into the range, or change `range` and `offset` of `rail`"),
    ("metric: peak_to_peak, of: rail, limit: at most 40 mV", "metric: time_between, from: down 1 V, to: rising 2 V",
     "recipe.yaml:16:44: condition `down 1 V`\n"
     "  expected: a slope and a level, such as `falling 0.99 V` or `rising 70 %`"),
    ("of: rail, limit", "of: rial, limit",
     "recipe.yaml:16:42: there is no channel `rial`\n  expected: one of rail\n  do: did you mean `rail`?"),
    ("of: rail, limit", "of: [rail, rail], limit",
     "recipe.yaml:16:42: metric `peak_to_peak` of 2 channels\n  expected: 1 channel"),
    ("at most 40 mV", "at most 40 ms",
     "recipe.yaml:16:55: `40 ms` is a time\n  expected: a voltage, such as `24 V`"),
    ("at most 40 mV", "40 mV",
     "recipe.yaml:16:55: `40 mV` alone is neither an upper nor a lower limit\n"
     "  expected: `at most X`, `at least X`, `A .. B`, `X ± Y`, `X ± P %` or `exactly X`, each a voltage\n"
     "  do: write `at most 40 mV`, `at least 40 mV` or with a tolerance `40 mV ± …`"),
    ("at most 40 mV", "[1 V, 2 V]", "recipe.yaml:16:55: `limit` of `ripple` is not a word\n  expected: words"),
    ("over: max", "over: maks",
     "recipe.yaml:16:76: unknown statistic over shots, `maks`\n"
     "  expected: one of each, mean, max, min, stdev, p99"),
    ("over: max", "ovr: max",
     "recipe.yaml:16:70: unknown key `ovr`: no option of metric `peak_to_peak`\n"
     "  expected: one of metric, of, limit, doubts, judge, over, about\n  do: did you mean `over`?"),
    ("of: drive, limit", "of: drive, level: 5 s, limit",
     "recipe.yaml:24:39: `5 s` is a time\n  expected: a voltage, such as `24 V`"),
    ("limit: $duty", "limit: $dutty",
     "recipe.yaml:24:39: `$dutty` in `$dutty ± 1 pp` is not known\n  expected: one of $duty\n"
     "  do: did you mean `$duty`?"),
    ("$duty ± 1 pp", "$duty ± 1 %",
     "recipe.yaml:24:39: `10 % ± 1 %` can be read two ways\n  expected: percentage points, or the two ends\n"
     "  do: write `10 % ± 1 pp` for percentage points, `9.9 % .. 10.1 %` for 1 % of 10 %"),
    ("[10 %, 40 %, 90 %]", "40 %",
     "recipe.yaml:21:22: `duty` has no list of values\n  expected: such as `[10 %, 40 %]`"),
    ("[10 %, 40 %, 90 %]", "[10 %, 40 %, 10 %]",
     "recipe.yaml:21:22: `10 %` twice for `duty`\n  expected: each value once"),
    ("frequency: 1.25 kHz", "frequency: 1.25 kHz, high: 3 V, low: 4 V, amplitude: 1 V",
     "recipe.yaml:22:70: `3 V` is given in two ways\n  expected: `amplitude` and `offset`, or `high` and `low`\n"
     "recipe.yaml:22:70: `high: 3 V` is not above low\n  expected: more than 4 V"),
    ("frequency: 1.25 kHz", "high: 3 V, low: 3 V",
     "recipe.yaml:22:49: `high: 3 V` is not above low\n  expected: more than 3 V"),
    ("{source: {function", "{supply: {output: off}, source: {function",
     "recipe.yaml:22:16: a step for supply and source\n  expected: one of `supply` or `source` in each step"),
    ("function: pulse", "function: puls",
     "recipe.yaml:22:36: `function` is `puls`\n  expected: one of sine, square, triangle, ramp, pulse, dc, noise, "
     "arbitrary\n"
     "  do: did you mean `pulse`?"),
    ("inputs: 2}", "inputs: 0}", "recipe.yaml:4:29: `0` is not a count\n  expected: a whole number, at least 1"),
    ("{input: 1, coupling", "{input: 3, coupling",
     "recipe.yaml:11:21: `rail` is on input 3, and the recipe needs 2\n  expected: an input up to 2\n"
     "  do: write `inputs: 3` after `needs`, or take a lower input"),
    ("supply: {}}", "supply: {}, source: {frequency: 1 kHz}}",
     "recipe.yaml:22:54: `1.25 kHz` is used, and the recipe needs `frequency: 1 kHz`\n  expected: at most 1 kHz\n"
     "  do: write `frequency: 1.25 kHz` after `needs`, or use less"),
    ("inputs: 2}", "inputs: 2, rate: 20 MHz}",
     "recipe.yaml:12:34: `25 MHz` is used, and the recipe needs `rate: 20 MHz`\n  expected: at most 20 MHz\n"
     "  do: write `rate: 25 MHz` after `needs`, or use less"),
    ("wavewright: 1", "wavewright: 2", "recipe.yaml:1:13: `wavewright` is `2`\n  expected: 1"),
    ("title: VC-204 end-of-line check\n", "",
     "recipe.yaml:1:1: `title` is missing\n  expected: what the recipe does, in a line"),
    ("title: VC-204 end-of-line check", "title:", "recipe.yaml:2:1: not a text\n  expected: some words"),
    ("default: 40 %", "default: ''", "recipe.yaml:6:19: not a text\n  expected: some words"),
    ("  rail_noise:", "  rail noise:",
     "recipe.yaml:8:3: `rail noise` is not a name\n  expected: a letter, then letters, digits and `_`\n"
     "  do: write `rail_noise`, for example"),
    ("      ripple:", "      ripple-1:",
     "recipe.yaml:16:7: `ripple-1` is not a name\n  expected: a letter, then letters, digits and `_`\n"
     "  do: write `ripple_1`, for example"),
    ("parameters:\n  duty", "parameters:\n  dut-y",
     "recipe.yaml:6:3: `dut-y` is not a name\n  expected: a letter, then letters, digits and `_`\n"
     "  do: write `dut_y`, for example"),
]  # fmt: skip


@pytest.mark.parametrize("stands, instead, message", FAULTS, ids=[row[1][:40] for row in FAULTS])
def test_a_fault_is_named_with_its_place_and_what_would_be_right(
    complaint: Complaint, stands: str, instead: str, message: str
) -> None:
    assert stands in RECIPE
    from wavewright.recipe.measurement import Measurement

    message = message.replace("KEYS", ", ".join(sorted(Measurement.model_fields)))
    assert complaint(RECIPE.replace(stands, instead, 1)) == message


def test_two_channels_do_not_share_an_input(complaint: Complaint) -> None:
    text = HEAD + RAIL_NOISE.replace("    timebase", "      reset: {input: 1, range: 8 V}\n    timebase", 1)
    assert complaint(text) == (
        "recipe.yaml:12:22: input 1 of `reset` is in use\n  expected: another than that of `rail`"
    )


def test_of_two_channels_the_trigger_and_the_metric_name_one(complaint: Complaint) -> None:
    text = HEAD + RAIL_NOISE.replace("    timebase", "      reset: {input: 2, range: 8 V}\n    timebase", 1).replace(
        "on: rail, ", ""
    ).replace("of: rail, ", "")
    assert complaint(text) == (
        "recipe.yaml:14:14: the trigger has no channel\n"
        "  expected: `on:` with one of rail, reset\n"
        "recipe.yaml:17:7: no channel is given after `of`\n  expected: one of rail, reset"
    )


def test_a_supply_is_not_set_above_what_the_recipe_needs(complaint: Complaint) -> None:
    text = HEAD.replace("supply: {}", "supply: {voltage: 12 V, current: 1 A}") + RAIL_NOISE.replace(
        "    shots: 16", "    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A}}]"
    )
    assert complaint(text) == (
        "recipe.yaml:14:35: `24 V` is used, and the recipe needs `voltage: 12 V`\n  expected: at most 12 V\n"
        "  do: write `voltage: 24 V` after `needs`, or use less"
    )


@pytest.mark.parametrize("window", ["range: 100 mV, offset: auto", "range: auto", "range: 8 V, offset: 4 V"])
def test_a_level_may_stand_wherever_the_range_may_show_it(window: str) -> None:
    text = HEAD + RAIL_NOISE.replace("range: 100 mV, offset: 0 V", window).replace("level: 0 V", "level: 7.9 V")
    assert parse_recipe(text, "r.yaml").measurements[0].trigger.level == StatedQuantity(7.9, "V", "7.9 V")


def test_needs_that_name_no_number_of_inputs_bound_none() -> None:
    text = HEAD.replace("{inputs: 2}", "{}") + RAIL_NOISE.replace("{input: 1,", "{input: 4,")
    assert parse_recipe(text, "r.yaml").measurements[0].channels["rail"].input == 4


def test_of_one_channel_nothing_needs_to_name_it() -> None:
    text = HEAD + RAIL_NOISE.replace("on: rail, ", "").replace("of: rail, ", "")
    (rail_noise,) = parse_recipe(text, "r.yaml")
    assert (rail_noise.trigger_channel, rail_noise.compute["ripple"].of) == ("rail", ("rail",))


def test_every_fault_of_a_file_comes_in_line_order(complaint: Complaint) -> None:
    text = RECIPE
    for stands, instead in [
        ("title:", "titel:"), ("range: 100 mV", "range: 100"), ("on: rail", "on: rial"), ("over: max", "over: maks"),
        ("function: pulse", "function: puls"), ("limit: $duty", "limit: $dutty"),
    ]:  # fmt: skip
        text = text.replace(stands, instead, 1)
    said = complaint(text)
    heads = [line for line in said.splitlines() if line.startswith("recipe.yaml:")]
    assert [int(line.split(":")[1]) for line in heads] == [1, 2, 11, 13, 16, 22, 24]
    assert heads[1] == "recipe.yaml:2:1: unknown key `titel`"


def test_a_recipe_without_measurements_is_refused(complaint: Complaint) -> None:
    assert complaint(HEAD) == ("recipe.yaml:7:1: `measurements` is empty\n  expected: keys with values, `{key: value}`")


def test_a_measurement_that_holds_nothing_is_named(complaint: Complaint) -> None:
    assert complaint(HEAD + "  rail_noise:\n") == (
        "recipe.yaml:8:3: measurement `rail_noise` holds nothing\n  expected: `channels`, `timebase`, `compute`, …"
    )


def test_loading_takes_a_path_as_well_as_a_name(in_folder: Path) -> None:
    (in_folder / "end_of_line.yaml").write_text(RECIPE, encoding="utf-8")
    assert load_recipe(Path("end_of_line.yaml")) == load_recipe("end_of_line.yaml")
