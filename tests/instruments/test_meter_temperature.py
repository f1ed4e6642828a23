"""Temperatures of a meter that is not the simulated one, in two languages: in °C whatever it came up in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.instruments.strangers.devices import Meter
from tests.instruments.strangers.sockets import Strangers, strangers
from wavewright.errors import BadAnswer, Misuse, SetOtherwise
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.setups import MeterSetup

TEMPERATURE = MeterSetup("temperature")


@pytest.fixture(params=["scpi", "tarn"])
def there(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Strangers]:
    with strangers(tmp_path, request.param) as found:
        yield found


def device(there: Strangers) -> Meter:
    found = there.by_name["meter"].device
    assert isinstance(found, Meter)
    return found


def test_it_is_set_to_celsius_before_it_is_read(there: Strangers) -> None:
    assert device(there).state["warmth"] == "FAR"
    with open_bench(load_bench(there.file), ["meter"]) as bench:
        used = bench.meter.configure(TEMPERATURE)
        assert used["temperature.unit"] == "celsius"
        assert bench.meter.read() == 23.0
        # and other quantities are as they were
        assert bench.meter.measure(MeterSetup("dc_voltage")) == 12.345
        with pytest.raises(Misuse, match="a range of temperatures"):
            bench.meter.configure(MeterSetup("temperature", range=100.0))
    names = [name for name, _ in device(there).history]
    assert names.index("quantity") < names.index("warmth")


def test_one_that_stays_in_another_unit_is_not_read(there: Strangers) -> None:
    device(there).overrules["warmth"] = "K"  # type: ignore[assignment]
    with (
        open_bench(load_bench(there.file), ["meter"]) as bench,
        pytest.raises(SetOtherwise, match=r"temperature.unit.*kelvin"),
    ):
        bench.meter.configure(TEMPERATURE)


def test_one_that_can_only_be_asked_for_its_unit_is_asked(tmp_path: Path) -> None:
    with strangers(tmp_path, "tarn") as there:
        profile = tmp_path / "meter.yaml"
        profile.write_text(
            profile.read_text(encoding="utf-8").replace('    set: "scale {value}"\n', ""), encoding="utf-8"
        )
        with open_bench(load_bench(there.file), ["meter"]) as bench:
            with pytest.raises(SetOtherwise, match="the meter reads temperatures in fahrenheit"):
                bench.meter.measure(TEMPERATURE)
            device(there).state["warmth"] = "C"
            assert bench.meter.measure(TEMPERATURE) == 23.0


@pytest.mark.parametrize("reading", [-280.0, 5000.0])
def test_what_no_sensor_reads_is_refused(there: Strangers, monkeypatch: pytest.MonkeyPatch, reading: float) -> None:
    monkeypatch.setattr(Meter, "reading", lambda self: reading)
    with open_bench(load_bench(there.file), ["meter"]) as bench, pytest.raises(BadAnswer, match="implausible"):
        bench.meter.measure(TEMPERATURE)
