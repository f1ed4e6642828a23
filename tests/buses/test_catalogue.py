from __future__ import annotations

import ast
import inspect
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Literal, get_args, get_origin

import pytest

import wavewright
from tests.buses.wires import wave
from wavewright.analysis.catalogue import Parameter
from wavewright.analysis.reading import Reading
from wavewright.analysis.sense import Sense
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.catalogue import BUSES, Bus, Layer, bus, buses, find_layer, layer, layers
from wavewright.buses.decode import check_decoding, decode
from wavewright.buses.frame import ERRORS
from wavewright.buses.frame_metrics import (
    FRAME_METRICS,
    LineMetric,
    frame_metric,
    frame_metrics,
    line_metric,
    line_metrics,
    metrics_of_bus,
)
from wavewright.buses.frames import Frames
from wavewright.buses.line.logic import Line
from wavewright.errors import Misuse
from wavewright.quantities import Interval
from wavewright.waveform import Waveform

HERE = Path(wavewright.__file__).parent / "buses"


def test_the_buses_and_layers_are_there() -> None:
    assert set(buses()) >= {"uart", "i2c", "spi", "can", "lin", "onewire", "i2s", "parallel", "manchester"}
    assert set(layers()) >= {"modbus_rtu", "smbus", "nmea", "i2c_memory"}


@pytest.mark.parametrize("entry", [*buses().values(), *layers().values()], ids=lambda entry: entry.name)
def test_an_entry_is_documented_with_its_source(entry: Bus | Layer) -> None:
    assert entry.definition.endswith(".")
    assert entry.source
    text = inspect.getdoc(entry.decode) or ""
    assert "Fields:" in text
    for parameter in entry.parameters:
        assert parameter.name in text or parameter.name in ("parity", "bit_order", "mode"), parameter.name


def test_layers_stand_on_buses_that_exist() -> None:
    assert all(name in buses() for entry in layers().values() for name in entry.on)


def test_every_error_that_a_decoder_names_is_explained() -> None:
    named = set()
    for path in HERE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "errors" and isinstance(node.value, ast.Dict):
                named |= {key.value for key in node.value.keys if isinstance(key, ast.Constant)}
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "append" and path.stem != "frame":
                words = [arg for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
                named |= {word.value for word in words if path.stem in ("lin", "onewire", "flexible_bits", "nmea")}
    assert len(named) > 20
    assert named <= set(ERRORS)


def test_names_are_never_taken_twice() -> None:
    with pytest.raises(Misuse, match=r"already defined in wavewright\.buses\.uart"):
        bus("uart", channels=("tx",), source="none")(lambda tx: Frames.of([]))
    with pytest.raises(Misuse, match=r"already defined in wavewright\.buses\.nmea"):
        layer("nmea", on=("uart",), source="none")(lambda frames: frames)


def test_an_unknown_name_gets_its_nearest_neighbour() -> None:
    with pytest.raises(Misuse, match="did you mean `uart`"):
        BUSES.find("uarts")
    with pytest.raises(Misuse, match=r"unknown layer on `uart` `modbus`(.|\n)*did you mean `modbus_rtu`"):
        find_layer("modbus", on="uart")
    with pytest.raises(Misuse, match="unknown layer on `can`"):
        find_layer("modbus_rtu", on="can")


def test_channels_must_be_those_of_the_bus() -> None:
    flat = wave("1")
    for channels, bus_name in (({}, "uart"), ({"rx": flat}, "uart"), ({"scl": flat}, "i2c"), ({"high": flat}, "can")):
        with pytest.raises(Misuse, match="from channels"):
            decode(channels, bus_name)
    with pytest.raises(Misuse, match="`high`, `low`"):
        decode({"tx": flat}, "can")
    assert decode({"clock": flat, "mosi": flat}, "spi") == []


def test_levels_may_differ_between_channels() -> None:
    low = wave("1")
    frames = decode({"scl": low, "sda": low}, "i2c", levels={"scl": "ttl", "sda": "cmos 5 V"})
    assert frames == []


def test_an_option_that_both_know_goes_to_both_and_one_that_neither_knows_is_refused() -> None:
    tx = wave("0 00010010 1")
    assert len(decode({"tx": tx}, "uart", then="modbus_rtu", baud=1.0, silence=3.0)) == 1
    with pytest.raises(Misuse, match="unknown option `silense` of bus `uart`"):
        decode({"tx": tx}, "uart", then="modbus_rtu", baud=1.0, silense=3.0)


def test_names_and_options_can_be_checked_without_a_waveform() -> None:
    check_decoding("uart", channels={"tx": "tx"}, then="modbus_rtu", baud="19200 Bd", parity="even", levels="lvcmos33")
    for wrong in ({"parity": "evne"}, {"levels": "ttll"}, {"then": "smbus"}, {"baud": "fast"}):
        with pytest.raises(Misuse):
            check_decoding("uart", channels={"tx": "tx"}, **wrong)
    with pytest.raises(Misuse):
        check_decoding("uart", channels={"rx": "tx"})


def values_at_the_ends(parameter: Parameter) -> list[object]:
    """What an option may be at all: each word of a list, the ends of a range; its default where it has neither."""
    parts = [parameter.annotation, *get_args(parameter.annotation)]
    words = [word for part in parts if get_origin(part) is Literal for word in get_args(part)]
    senses = [one for part in parts for one in getattr(part, "__metadata__", ()) if isinstance(one, Sense)]
    ends = [end for one in senses for end in (one.among or (one.least, one.most)) if end is not None]
    numbers = [int(end) if int in parts or int in get_args(parts[0]) else end for end in ends]
    return [*words, *numbers] or [parameter.default]


def refusal(how: Callable[..., object], *given: object, **options: object) -> str:
    try:
        how(*given, **options)
    except Misuse as refused:
        return str(refused)
    return ""


OURS = [one for one in buses().values() if one.decode.__module__.startswith("wavewright.")]
OVER = [(one, above) for one in OURS for above in (None, *layers().values()) if above is None or one.name in above.on]


@pytest.mark.parametrize("entry, above", OVER, ids=lambda one: "alone" if one is None else one.name)
def test_what_an_entry_refuses_is_what_decoding_refuses(entry: Bus, above: Layer | None) -> None:
    still = Waveform.from_volts([0.0], interval=1.0)
    then = None if above is None else above.name
    tried = 0
    for names in entry.channels:
        needed = [name for name in names if not name.endswith("?")]
        spare = [name.rstrip("?") for name in names if name.endswith("?")][:3]
        for lines in ([*needed, *some] for count in range(len(spare) + 1) for some in combinations(spare, count)):
            for options in [
                {},
                *({one.name: value} for one in entry.parameters for value in values_at_the_ends(one)),
                *(
                    {one.name: value}
                    for one in (above.parameters if above else ())
                    for value in values_at_the_ends(one)
                ),
            ]:
                checked = refusal(check_decoding, entry.name, channels=dict.fromkeys(lines, "a"), then=then, **options)
                decoded = refusal(decode, dict.fromkeys(lines, still), entry.name, then=then, **options)
                assert checked == decoded, (lines, options)
                tried += 1
    assert tried > len(entry.parameters)


def test_a_bus_of_another_package_is_tried_on_a_record(monkeypatch: pytest.MonkeyPatch) -> None:
    def moody(line: Line, *, mood: int = 0) -> Frames:
        if mood > 3:
            raise Misuse(f"mood {mood}")
        return Frames([], [], "frame", {})

    monkeypatch.setitem(BUSES.entered, "moody", Bus("moody", "ours", moody, channels=(("line",),)))
    check_decoding("moody", channels={"line": "a"}, mood=3)
    with pytest.raises(Misuse, match="mood 4"):
        check_decoding("moody", channels={"line": "a"}, mood=4)


def test_our_buses_and_layers_say_what_they_refuse() -> None:
    for one in [*OURS, *layers().values()]:
        if one.decode.__module__.startswith("wavewright."):
            assert one.refuse is not None, one.name


def test_metrics_over_frames_have_definition_source_and_unit() -> None:
    assert set(frame_metrics()) >= {
        "frames", "frame_errors", "bit_rate", "bit_rate_error", "bus_load", "frame_gap", "response_time",
    }  # fmt: skip
    for entry in frame_metrics().values():
        assert entry.definition.endswith(".")
        assert entry.source
        assert entry.unit


def test_metrics_over_lines_belong_to_a_bus_that_exists() -> None:
    over_lines = [entry for entry in frame_metrics().values() if isinstance(entry, LineMetric)]
    assert {entry.bus for entry in over_lines} == {"i2c", "spi"}
    for entry in over_lines:
        assert entry.bus in buses()
        assert entry.symbol
        assert entry.name in metrics_of_bus(entry.bus)
        assert entry.name not in metrics_of_bus("uart")
        if entry.published is not None:
            then = "smbus" if "longest" in entry.name or "slowest" in entry.name else ""
            assert entry.published(then, {"mode": "fast", "supply": "3.3 V"}).unit == entry.unit


def test_a_metric_of_ones_own_is_one_function_and_its_name_is_taken_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FRAME_METRICS, "entered", dict(frame_metrics()))  # it is gone after the test

    @line_metric("tallied", bus="tally", unit="count", source="none", published=lambda then, options: FIVE)
    def tallied(bus: BusRecord) -> Reading:
        """Edges counted."""
        return Reading(float(len(bus.frames)), "count")

    (entry,) = line_metrics("tally")
    assert (entry.definition, entry.published and entry.published("", {})) == ("Edges counted.", FIVE)
    with pytest.raises(Misuse, match="metric `tallied` is already defined in tests"):
        line_metric("tallied", bus="other", unit="s", source="none")(tallied)
    with pytest.raises(Misuse, match=r"metric `low_period` is already defined in wavewright\.buses\.i2c\.timing"):
        frame_metric("low_period", unit="s", source="none")(tallied)


FIVE = Interval(0, 5, "count")


def test_a_bus_of_ones_own_is_one_function(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(BUSES, "entered", dict(buses()))  # it is gone after the test

    @bus("tally", channels=("line",), source="none")
    def tally(line: Line, *, least: int = 0) -> Frames:
        """Edges counted."""
        return Frames([line.start], [line.end], "tally", {}, errors={"short": [line.times.size < least]})

    entry = Bus("tally", "none", tally, channels=(("line",),))
    assert entry.definition == "Edges counted."
    assert entry.options({"least": "3"}) == {"least": 3}
    assert tally(Line(True, wave("1").values()[:0], 0.0, 1.0), least=1)[0].errors == ("short",)
