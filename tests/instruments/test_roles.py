"""Supply, source and meter on the simulated bench: the safe order, ceilings, outputs off, and what a fault leaves."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import pyvisa

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, PlainLibrary, library_of
from wavewright.errors import BenchFault, Complaint, LinkLost, Misuse, NotMeasurable, OutputMayBeOn, WireFault
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.connecting import open_link
from wavewright.instruments.instrument import Instrument
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import MeterSetup, SourceSetup, SupplySetup
from wavewright.instruments.source import (
    Source,
    arbitrary_block,
    as_played,
    ends_with_output_on,
    ramp_period,
    source_faults,
    source_messages,
)
from wavewright.instruments.supply import Supply, supply_faults, supply_messages
from wavewright.instruments.wire_log import WireLog, read_wire_log
from wavewright.waveform import Waveform

SIM = Path(__file__).parents[2] / "sim"
ON = SupplySetup(voltage=24.0, current_limit=1.0, output=True)


@pytest.fixture
def bench_file() -> BenchFile:
    return load_bench(SIM / "bench.yaml")


@pytest.fixture
def dialogue() -> io.StringIO:
    return io.StringIO()


@pytest.fixture
def bench(bench_file: BenchFile, dialogue: io.StringIO) -> Iterator[Bench]:
    with open_bench(bench_file, ["supply", "source", "meter"], wire_log=WireLog(dialogue)) as opened:
        opened.reset()
        yield opened


def sent(dialogue: io.StringIO, instrument: str) -> list[str]:
    records = read_wire_log(dialogue.getvalue().splitlines())
    mine = (record for record in records if record.instrument == instrument and record.sign == ">")
    return [(record.data or b"").decode().strip() for record in mine]


def test_an_output_goes_on_in_the_safe_order(bench: Bench, dialogue: io.StringIO) -> None:
    # off, protection, current limit, voltage, read back, errors empty, then on (common practice, no source)
    before = len(sent(dialogue, "supply"))
    used = bench.supply.apply_setup(SupplySetup(24.0, 1.0, voltage_protection=26.0, output=True))
    order = [message for message in sent(dialogue, "supply")[before:] if "?" not in message]
    assert [message.split(":")[1].split(" ")[0] for message in order] == [
        "STATe", "VOLTage", "VOLTage", "CURRent", "VOLTage", "STATe",
    ]  # fmt: skip
    assert (order[0], order[-1]) == ("OUTPut:STATe 0", "OUTPut:STATe 1")
    assert used["output"] is True
    assert bench.supply.link.ask("OUTPut:STATe?") == "1"


def test_the_plan_of_a_step_is_what_is_sent(bench: Bench, dialogue: io.StringIO) -> None:
    before = len(sent(dialogue, "supply"))
    bench.supply.apply_setup(ON)
    messages = [message for message in sent(dialogue, "supply")[before:] if "?" not in message]
    assert messages == list(supply_messages(bench.supply.profile, ON))


def test_a_step_that_does_not_name_the_output_leaves_it_on(bench: Bench, dialogue: io.StringIO) -> None:
    bench.supply.apply_setup(ON)
    before = len(sent(dialogue, "supply"))
    bench.supply.apply_setup(SupplySetup(voltage=20.0))
    assert not [message for message in sent(dialogue, "supply")[before:] if message.startswith("OUTPut:STATe 0")]
    assert bench.supply.measured_voltage() == pytest.approx(20.0, rel=0.002)  # gain 0.1 % and 10 mV by its profile


@pytest.mark.parametrize(
    "setup",
    [
        SupplySetup(voltage=26.1),
        SupplySetup(voltage=-26.1),
        SupplySetup(current_limit=1.6),
        SupplySetup(voltage=float("nan")),
        SupplySetup(voltage=5.0, current_limit=2.0, output=True),
    ],
    ids=["voltage", "negative voltage", "current", "no number", "one of several"],
)
def test_nothing_is_sent_above_a_ceiling(bench: Bench, dialogue: io.StringIO, setup: SupplySetup) -> None:
    before = len(sent(dialogue, "supply"))
    with pytest.raises(BenchFault, match="above the ceiling of supply") as caught:
        bench.supply.apply_setup(setup)
    assert sent(dialogue, "supply")[before:] == []
    assert "expected: at most" in str(caught.value)


def test_the_output_is_off_after_a_step_that_breaks_off(bench: Bench) -> None:
    bench.supply.apply_setup(SupplySetup(voltage=5.0, current_limit=0.5))

    def step() -> None:
        with bench.supply.output_on():
            assert bench.supply.link.ask("OUTPut:STATe?") == "1"
            raise RuntimeError("probe slipped")

    with pytest.raises(RuntimeError, match="probe slipped"):
        step()
    assert bench.supply.link.ask("OUTPut:STATe?") == "0"


def test_an_output_set_too_high_by_hand_is_not_switched_on(bench: Bench) -> None:
    bench.supply.link.write("SOURce:VOLTage 30")  # somebody at the front panel
    with pytest.raises(BenchFault, match="above the ceiling"), bench.supply.output_on():
        pass
    with pytest.raises(BenchFault, match="above the ceiling"):
        bench.supply.apply_setup(SupplySetup(current_limit=0.5, output=True))
    assert bench.supply.link.ask("OUTPut:STATe?") == "0"


def test_a_complaint_while_setting_keeps_the_output_off(bench: Bench) -> None:
    bench.supply.link.write("BOGus 1")  # waits in the error queue
    with pytest.raises(Complaint, match="Undefined header"):
        bench.supply.apply_setup(ON)
    assert bench.supply.link.ask("OUTPut:STATe?") == "0"


@pytest.mark.parametrize("reason", [RuntimeError("a defect"), KeyboardInterrupt(), SystemExit(1)], ids=repr)
def test_leaving_the_bench_switches_everything_off(
    bench_file: BenchFile, dialogue: io.StringIO, reason: BaseException
) -> None:
    def run() -> None:
        with open_bench(bench_file, ["supply", "source"], wire_log=WireLog(dialogue)) as bench:
            bench.reset()
            bench.supply.apply_setup(ON)
            bench.source.apply_setup(SourceSetup(function="square", frequency=1e3))
            raise reason

    with pytest.raises(type(reason)):
        run()
    for name in ("supply", "source"):
        said = [line.split("\t")[4] for line in dialogue.getvalue().splitlines()[1:] if line.split("\t")[2] == name]
        last = len(said) - 1 - said[::-1].index("OUTPut:STATe 0\\n")
        terminals = ":MEASure:SCALar:VOLTage:DC?;:OUTPut:STATe?;" if name == "supply" else ""
        # the identity after them: the 0 answered that query, and no earlier one
        assert said[last : last + 2] == ["OUTPut:STATe 0\\n", f"OUTPut:STATe?;{terminals}*IDN?\\n"]
        answers = said[last + 2].split(";")
        assert answers[0] == "0"
        assert len(answers) == (4 if name == "supply" else 2)
        assert said[last + 3 :] == ["closed"]


def test_the_source_is_off_before_the_supply(bench_file: BenchFile, dialogue: io.StringIO) -> None:
    with open_bench(bench_file, ["supply", "source"], wire_log=WireLog(dialogue)) as bench:
        bench.reset()
    offs = [line.split("\t")[2] for line in dialogue.getvalue().splitlines() if line.endswith("OUTPut:STATe 0\\n")]
    assert offs[-2:] == ["source", "supply"]


# An output that obeys, one that answers on for ever, one that falls silent, one whose link breaks
PLAIN = {"OUTPut:STATe?": b"0\n"}
Role = Callable[..., Instrument]


@pytest.fixture
def plain_supply() -> Iterator[Callable[[Device], tuple[Supply, PlainLibrary]]]:
    with ExitStack() as stack:

        def make(device: Device) -> tuple[Supply, PlainLibrary]:
            profile = load_profile("scpi-supply")
            library = library_of({MARKED: device})
            link = open_link(pyvisa.ResourceManager(library), MARKED, name="supply", manners=profile.manners)
            stack.callback(link.close)
            return Supply(link, profile), library

        yield make


@pytest.mark.parametrize("answer", [b"1\n", None, b"maybe\n", b"\n", b"9.91E37\n"], ids=str)
def test_in_doubt_an_output_counts_as_on(
    plain_supply: Callable[[Device], tuple[Supply, PlainLibrary]], answer: bytes | None
) -> None:
    device = Device({"OUTPut:STATe?": answer})
    supply, _ = plain_supply(device)
    with pytest.raises(OutputMayBeOn, match="could not be confirmed off") as caught:
        supply.output_off()
    assert "by hand" in str(caught.value)
    assert device.sent.count("OUTPut:STATe 0") >= 3


def test_an_answer_one_query_late_does_not_confirm_that_the_output_is_off(
    plain_supply: Callable[[Device], tuple[Supply, PlainLibrary]],
) -> None:
    # given a supply whose every answer is that to the query before, with the output stuck on
    device = Device()
    answers = {"OUTPut:STATe?": b"1\n", "*IDN?": b"Reedbank,Plain,0,1.0\n", "*ESR?": b"0\n"}
    last = [b"0\n"]

    def one_behind(message: str) -> Callable[[], bytes]:
        def answer() -> bytes:
            last.append(answers[message])
            return last[-2]

        return answer

    supply, _ = plain_supply(device)
    device.answers.update({message: one_behind(message) for message in answers})
    # when it is switched off, then its stale `0` is not believed
    with pytest.raises(OutputMayBeOn):
        supply.output_off()


def test_a_broken_link_is_connected_again_to_switch_off(
    plain_supply: Callable[[Device], tuple[Supply, PlainLibrary]],
) -> None:
    supply, library = plain_supply(Device({"OUTPut:STATe?": b"0\n"}))
    library.writes_until_broken = 0
    with pytest.raises(LinkLost):
        supply.link.write("SOURce:VOLTage 5")
    library.writes_until_broken = -1
    supply.output_off()


def test_a_link_that_stays_broken_tells_a_person_to_look(
    plain_supply: Callable[[Device], tuple[Supply, PlainLibrary]],
) -> None:
    supply, library = plain_supply(Device({"OUTPut:STATe?": b"0\n"}))
    library.writes_until_broken = 0
    with pytest.raises(OutputMayBeOn, match="VI_ERROR_CONN_LOST"):
        supply.safe_state()


def test_an_output_that_does_not_come_on_is_switched_off(
    plain_supply: Callable[[Device], tuple[Supply, PlainLibrary]],
) -> None:
    device = Device({"OUTPut:STATe?": b"0\n"})
    supply, _ = plain_supply(device)
    with pytest.raises(WireFault, match="says that its output is off"), supply.output_on():
        pass
    assert [message for message in device.sent if message.startswith("OUTPut:STATe ")][-1] == "OUTPut:STATe 0"


def test_a_supply_that_rounds_above_a_ceiling_is_switched_off() -> None:
    device = Device(
        {
            "OUTPut:STATe?": b"0\n",
            "SOURce:VOLTage:LEVel:IMMediate:AMPLitude?": b"30\n",
            "SOURce:CURRent:LEVel:IMMediate:AMPLitude?": b"1\n",
        }
    )
    profile = load_profile("scpi-supply")
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, name="supply")
    with pytest.raises(BenchFault, match="above the ceiling"):
        Supply(link, profile, ceilings={"voltage": 26.0}).apply_setup(ON)
    assert "OUTPut:STATe 1" not in device.sent


def test_every_output_is_tried_even_if_one_fails(
    bench_file: BenchFile, dialogue: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail() -> None:
        raise OutputMayBeOn("stuck", where="source")

    def run() -> None:
        with open_bench(bench_file, ["supply", "source"], wire_log=WireLog(dialogue)) as bench:
            bench.reset()
            bench.supply.apply_setup(ON)
            monkeypatch.setattr(bench.source, "safe_state", fail)

    with pytest.raises(OutputMayBeOn, match="stuck"):
        run()
    off = ["OUTPut:STATe 0", "OUTPut:STATe?;:MEASure:SCALar:VOLTage:DC?;:OUTPut:STATe?;*IDN?"]
    assert sent(dialogue, "supply")[-2:] == off


def test_a_defect_of_ours_does_not_leave_an_output_on(bench_file: BenchFile, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ZeroDivisionError

    with pytest.raises(OutputMayBeOn, match="ZeroDivisionError"), open_bench(bench_file, ["supply", "source"]) as bench:
        monkeypatch.setattr(bench.source, "safe_state", fail)


def test_a_protection_trips_and_is_told(bench: Bench) -> None:
    bench.supply.apply_setup(SupplySetup(voltage=5.0, current_limit=1.0, voltage_protection=6.0, output=True))
    assert not bench.supply.tripped()
    with pytest.raises(WireFault):
        bench.supply.apply_setup(SupplySetup(voltage=12.0, output=True))
    bench.supply.clear_protection()
    assert not bench.supply.tripped()
    assert not bench.supply.get("output")


def test_a_source_step_with_a_function_ends_with_the_output_on(bench: Bench, dialogue: io.StringIO) -> None:
    setup = SourceSetup(function="pulse", frequency=1250.0, duty_factor=0.4)
    before = len(sent(dialogue, "source"))
    used = bench.source.apply_setup(setup)
    assert (used["function"], used["frequency"], used["duty_factor"]) == ("pulse", 1250.0, pytest.approx(0.4))
    assert bench.source.link.ask("OUTPut:STATe?") == "1"
    messages = [message for message in sent(dialogue, "source")[before:] if "?" not in message]
    assert messages == list(source_messages(bench.source.profile, setup))


@pytest.mark.parametrize(
    "setup, is_on",
    [
        (SourceSetup(function="sine"), True),
        (SourceSetup(function="sine", output=False), False),
        (SourceSetup(frequency=1e3), False),
        (SourceSetup(output=True), True),
    ],
)
def test_when_a_source_step_ends_with_the_output_on(setup: SourceSetup, is_on: bool) -> None:
    assert ends_with_output_on(setup) is is_on


def test_the_ceiling_of_a_source_is_for_the_highest_magnitude() -> None:
    device = Device()
    profile = load_profile("scpi-source")
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, name="source")
    source = Source(link, profile, ceilings={"voltage": 5.0})
    with pytest.raises(BenchFault, match="above the ceiling"):
        source.apply_setup(SourceSetup(amplitude=6.0, offset=-2.5))  # reaches -5.5 V
    source.set("amplitude", 6.0)
    with pytest.raises(BenchFault, match="above the ceiling"):
        source.set("offset", 2.5)  # together with what was set before
    assert device.sent == ["*IDN?", "SOURce:VOLTage:LEVel:IMMediate:AMPLitude 6.0E+00"]


def test_one_period_fills_the_range_of_the_samples() -> None:
    period = Waveform.from_volts([0.0, 1.0, 0.5, -1.0], interval=1e-6)
    # the extremes at ±32767: closed form 32767 · (2 · (v − low) / (high − low) − 1)
    assert np.frombuffer(arbitrary_block(period), dtype=">i2").tolist() == [0, 32767, 16384, -32767]


def test_a_source_gives_a_period_of_ones_own(bench: Bench, dialogue: io.StringIO) -> None:
    period = Waveform.from_volts(np.sin(np.arange(64) * 2 * np.pi / 64), interval=1e-6, name="own")
    used = bench.source.apply_setup(
        SourceSetup(function="arbitrary", frequency=1e3, amplitude=2.0, offset=0.0, arbitrary=period)
    )
    assert (used["function"], used["output"]) == ("arbitrary", True)
    blocks = [record for record in read_wire_log(dialogue.getvalue().splitlines()) if record.sign == "#>"]
    assert [record.count for record in blocks] == [128]


def test_a_ramp_is_played_as_samples_where_the_source_has_none_of_its_own(bench: Bench) -> None:
    setup = SourceSetup(function="ramp", symmetry=0.25, frequency=1e3)
    played = as_played(bench.source.profile, setup)
    assert (played.function, played.symmetry) == ("arbitrary", None)
    heights = played.arbitrary.values()
    # definition: a straight line up for a quarter of the period, and one down for the rest of it
    assert heights[[0, 125, 250, 625]].tolist() == pytest.approx([0, 0.5, 1, 0.5], abs=1e-4)
    # given an invented dialect with a shape and a setting of its own for it
    grammar = bench.source.profile.grammar
    function = grammar.settings["function"]
    own = function.model_copy(update={"words": {**function.words, "ramp": "SAWTOOTH"}})
    knows = replace(
        bench.source.profile, grammar=grammar.model_copy(update={"settings": {**grammar.settings, "function": own}})
    )
    assert as_played(knows, setup) is setup


@pytest.mark.parametrize("rising", [0.0, 0.2, 0.5, 1.0])
def test_a_ramp_fills_its_height_and_rises_for_its_share(rising: float) -> None:
    heights = ramp_period(rising, 1000).values()
    # definition: the share of the period in which the line goes up; one point of it is the return
    assert np.count_nonzero(np.diff(heights) > 0) == pytest.approx(1000 * rising, abs=1)
    assert np.ptp(np.frombuffer(arbitrary_block(ramp_period(rising, 1000)), ">i2").astype(int)) == 2 * 32767


def test_a_source_gives_bursts(bench: Bench) -> None:
    used = bench.source.apply_setup(SourceSetup(function="sine", frequency=1e3, burst_cycles=3))
    assert (used["burst.cycles"], used["burst.on"]) == (3.0, True)
    bench.source.trigger()
    bench.source.check_errors("giving a burst")
    assert bench.source.apply_setup(SourceSetup(burst_cycles=0, output=False))["burst.on"] is False


def test_a_burst_is_the_last_thing_that_a_step_gives(bench: Bench, dialogue: io.StringIO) -> None:
    setup = SourceSetup(function="sine", frequency=1e3, burst_cycles=3, starts_burst=True)
    before = len(sent(dialogue, "source"))
    bench.source.apply_setup(setup)
    messages = [message for message in sent(dialogue, "source")[before:] if "?" not in message]
    assert messages == list(source_messages(bench.source.profile, setup))
    assert messages[-2:] == ["OUTPut:STATe 1", "*TRG"]


def test_what_a_source_comes_up_with_counts_for_its_ceiling(bench_file: BenchFile, dialogue: io.StringIO) -> None:
    # given a source that has 3.3 V peak to peak after *RST (its definition), and a ceiling of 5 V
    entry = bench_file.instruments["source"].model_copy(update={"ceilings": {"voltage": 5.0}})
    grammar = bench_file.grammar.model_copy(update={"instruments": {**bench_file.instruments, "source": entry}})
    with open_bench(replace(bench_file, grammar=grammar), ["source"], wire_log=WireLog(dialogue)) as bench:
        bench.reset()
        before = len(sent(dialogue, "source"))
        # when an offset alone is set, then 4 V + 3.3 V / 2 is above it (math), and nothing is sent
        with pytest.raises(BenchFault, match="above the ceiling"):
            bench.source.apply_setup(SourceSetup(offset=4.0))
        assert sent(dialogue, "source")[before:] == []


def test_a_source_that_rounds_above_its_ceiling_is_switched_off() -> None:
    level = "SOURce:VOLTage:LEVel:IMMediate"
    device = Device({"OUTPut:STATe?": b"0\n", f"{level}:AMPLitude?": b"10\n", f"{level}:OFFSet?": b"1\n"})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, name="source")
    source = Source(link, load_profile("scpi-source"), ceilings={"voltage": 5.0})
    with pytest.raises(BenchFault, match="above the ceiling"):
        source.apply_setup(SourceSetup(function=None, amplitude=6.0, offset=1.0, output=True))
    assert "OUTPut:STATe 1" not in device.sent
    assert device.sent.count("OUTPut:STATe 0") == 1


@pytest.mark.parametrize("volts", [[1.0], [1.0, 1.0], [0.0, float("nan")]], ids=["one", "flat", "no number"])
def test_what_is_no_period_is_not_sent(volts: list[float]) -> None:
    with pytest.raises(Misuse, match="not a period of a signal"):
        arbitrary_block(Waveform.from_volts(volts, interval=1e-6, name="own"))


def test_a_step_beyond_the_abilities_is_known_before() -> None:
    supply = supply_faults(load_profile("scpi-supply"), SupplySetup(voltage=40.0), ceilings={"voltage": 26.0})
    assert [fault.expected for fault in supply] == ["at most 32 V", "at most 26 V, the ceiling of the bench"]
    source = source_faults(load_profile("scpi-source"), SourceSetup(frequency=1e9))
    assert [fault.expected for fault in source] == ["at most 25 MHz"]


@pytest.mark.parametrize("quantity, unit_value", [("dc_voltage", 3.3), ("ac_voltage", 0.0)])
def test_a_meter_reads_the_rail(bench: Bench, quantity: str, unit_value: float) -> None:
    # the simulated meter is wired to the rail: 3.3 V nominal, within the board's own 1 % (its definition)
    bench.supply.apply_setup(ON)
    reading = bench.meter.measure(MeterSetup(quantity))  # type: ignore[arg-type]
    assert reading == pytest.approx(unit_value, abs=0.05)


def test_an_overload_is_no_reading() -> None:
    profile = load_profile("scpi-meter")
    from wavewright.instruments.meter import Meter

    device = Device({"READ?": [b"9.9E37\n", b"9.91E37\n"]})
    meter = Meter(open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED), profile)
    with pytest.raises(NotMeasurable, match="overloaded"):
        meter.read()
    with pytest.raises(NotMeasurable, match="no value"):
        meter.read()
