from __future__ import annotations

import ast
import inspect
from pathlib import Path

import pytest

import wavewright
from tests.buses.wires import wave
from wavewright.analysis.reading import Reading
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
                named |= {word.value for word in words if path.stem in ("lin", "onewire", "flexible_rate", "nmea")}
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
