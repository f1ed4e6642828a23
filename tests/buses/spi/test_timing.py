"""Setup and hold times of SPI; SPI has no standard, so no limit is published."""

from __future__ import annotations

import numpy as np
import pytest

from tests.encoders.impairments import skewed
from wavewright.analysis.doubts import Doubt
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frame_metrics import find_frame_metric, measure_decoded, published_limit
from wavewright.buses.line.logic import Line
from wavewright.buses.spi.timing import hold_time, setup_time
from wavewright.buses.timing_report import timing_report
from wavewright.errors import Misuse, NotMeasurable
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.spi import SpiLines, spi_lines

NAMES = ("clock", "mosi", "miso", "select")


def drawn(lines: SpiLines, *names: str, **options: object) -> BusRecord:
    """The lines at 200 samples a clock of 1 µs."""
    return BusRecord({name: draw(getattr(lines, name), rate=200e6) for name in names or NAMES}, "spi", **options)


def test_setup_and_hold_are_the_shortest_of_all() -> None:
    # closed form: mode 0, data change half a clock before the rising edge and half a clock after
    lines = spi_lines([[(0x55, 0), (0xAA, 0)]])
    late = skewed(lines.mosi, 0.1e-6)
    assert setup_time(lines.clock, lines.mosi).value == pytest.approx(0.5e-6)
    assert hold_time(lines.clock, lines.mosi).value == pytest.approx(0.5e-6)
    assert setup_time(lines.clock, late).value == pytest.approx(0.4e-6)
    assert hold_time(lines.clock, late, select=lines.select).value == pytest.approx(0.6e-6)
    with pytest.raises(NotMeasurable, match="never change"):
        setup_time(lines.clock, lines.mosi.__class__(True, np.empty(0), 0, 1))


@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("late", [-0.3e-6, -0.1e-6, 0.0, 0.2e-6])
def test_setup_and_hold_share_a_clock_in_every_mode(mode: int, late: float) -> None:
    # closed form: data that are late by d have d less setup time and d more hold time
    lines = spi_lines([[(0x9F, 0x12), (0x35, 0xA5)]], mode=mode)
    moved = SpiLines(lines.clock, skewed(lines.mosi, late), lines.miso, lines.select)
    bus = drawn(moved, mode=mode)
    assert measure_decoded(bus, "setup_time").value == pytest.approx(0.5e-6 - late, abs=1e-8)
    assert measure_decoded(bus, "hold_time").value == pytest.approx(0.5e-6 + late, abs=1e-8)
    assert measure_decoded(bus, "setup_time", data="miso").value == pytest.approx(0.5e-6, abs=1e-8)


def test_the_one_change_that_comes_too_late_is_found_with_when_it_was() -> None:
    lines = spi_lines([[(0x55, 0), (0x55, 0)]])
    times = lines.mosi.times.copy()
    times[7] += 0.42e-6
    bus = drawn(SpiLines(lines.clock, Line(lines.mosi.first, times, 0.0, lines.mosi.end), lines.miso, lines.select))
    reading = measure_decoded(bus, "setup_time")
    assert reading.value == pytest.approx(0.08e-6, abs=1e-8)
    assert reading.at == pytest.approx(times[7] + 0.08e-6, abs=1e-8)
    assert reading.count == times.size


def test_select_has_setup_and_hold_times_too() -> None:
    lines = spi_lines([[(0x9F, 0)], [(0x35, 0)]], pause=8e-6, lead=1e-6)
    first, last = lines.clock.times[0], lines.clock.times[-1]
    bus = drawn(lines)
    assert measure_decoded(bus, "select_setup_time").value == pytest.approx(first - lines.select.falling[0], abs=1e-8)
    assert measure_decoded(bus, "select_hold_time").value == pytest.approx(lines.select.rising[-1] - last, abs=1e-8)
    assert measure_decoded(bus, "select_setup_time").count == measure_decoded(bus, "select_hold_time").count == 2
    inverted = SpiLines(lines.clock, lines.mosi, lines.miso, lines.select.inverted())
    high = drawn(inverted, select_active="high")
    for name in ("setup_time", "select_setup_time", "select_hold_time"):
        assert measure_decoded(high, name).value == pytest.approx(measure_decoded(bus, name).value)


def test_a_selection_without_a_clock_has_no_setup_or_hold_time() -> None:
    # given select low for 0.4 us between two selections, 0.3 us before the second of them
    lines = spi_lines([[(0x9F, 0)], [(0x35, 0)]], pause=8e-6, lead=1e-6)
    begin = lines.select.falling[1]
    times = np.sort(np.append(lines.select.times, [begin - 0.7e-6, begin - 0.3e-6]))
    select = Line(True, times, lines.select.start, lines.select.end)
    bus = drawn(SpiLines(lines.clock, lines.mosi, lines.miso, select))
    for name in ("select_setup_time", "select_hold_time"):
        assert measure_decoded(bus, name).count == 2
    only_empty = Line(True, times[2:4], lines.select.start, lines.select.end)
    bus = drawn(SpiLines(lines.clock, lines.mosi, lines.miso, only_empty))
    assert "never followed by a clock" in measure_decoded(bus, "select_setup_time").reason
    assert "never ends after a clock" in measure_decoded(bus, "select_hold_time").reason


def test_clocks_while_not_selected_have_no_setup_time() -> None:
    # given data that change right before clocks for another device
    lines = spi_lines([[(0x55, 0)], [(0x55, 0)]], pause=8e-6)
    second = lines.select.falling[1]
    mosi = Line(lines.mosi.first, np.where(lines.mosi.times > second, lines.mosi.times + 0.4e-6, lines.mosi.times),
                lines.mosi.start, lines.mosi.end)  # fmt: skip
    only_first = Line(True, lines.select.times[:2], lines.select.start, lines.select.end)
    assert measure_decoded(drawn(SpiLines(lines.clock, mosi, lines.miso, lines.select)), "setup_time").value < 0.2e-6
    bus = drawn(SpiLines(lines.clock, mosi, lines.miso, only_first))
    assert measure_decoded(bus, "setup_time").value == pytest.approx(0.5e-6, abs=1e-8)


def test_a_line_that_is_not_connected_is_wrong_usage() -> None:
    bus = drawn(spi_lines([[(0x9F, 0x35)]]), "clock", "miso")
    assert measure_decoded(bus, "setup_time").value == pytest.approx(0.5e-6, abs=1e-8)  # of the only line
    with pytest.raises(Misuse, match="a channel on `mosi`"):
        measure_decoded(bus, "setup_time", data="mosi")
    with pytest.raises(Misuse, match="a channel on `select`"):
        measure_decoded(bus, "select_hold_time")


def test_nothing_is_published_about_spi() -> None:
    bus = drawn(spi_lines([[(0x9F, 0x35)]]))
    assert [(row.name, row.limit, row.holds) for row in timing_report(bus)] == [
        (name, None, None) for name in ("setup_time", "hold_time", "select_setup_time", "select_hold_time")
    ]
    with pytest.raises(Misuse, match="`setup_time` has no published limit"):
        published_limit(find_frame_metric("setup_time"), then="", options=bus.options)


@pytest.mark.parametrize("name", ["setup_time", "hold_time", "select_hold_time"])
@pytest.mark.parametrize("rate, is_doubted", [(200e6, False), (8e6, True)])
def test_a_time_of_few_samples_is_doubted(name: str, rate: float, is_doubted: bool) -> None:
    # half a clock of 1 µs: 100 samples at 200 MHz, and 4 at 8 MHz
    lines = spi_lines([[(0x55, 0), (0xAA, 0)]])
    bus = BusRecord({each: draw(getattr(lines, each), rate=rate) for each in NAMES}, "spi")
    options = {"data": "mosi"} if "select" not in name else {}
    reading = measure_decoded(bus, name, **options)
    assert (Doubt.FEW_SAMPLES in reading.doubts) is is_doubted
