"""Trying a profile, and scanning a bench: what works, rounds, fails; who answers, which profile fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
import pyvisa

from tests.instruments.conftest import MARKED, STREAM
from tests.instruments.plain_visa import Device, library_of
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.connecting import open_link
from wavewright.instruments.exercise_values import values_to_try
from wavewright.instruments.library import open_manager
from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.profile_exercise import TrialOutcome, TrialRow, exercise, exercise_profile
from wavewright.instruments.scan import ScannedAddress, bench_text, scan
from wavewright.instruments.supply import Supply
from wavewright.instruments.vocabulary import Role

SIM = Path(__file__).parents[2] / "sim"
Write = Callable[[str], Profile]


@pytest.fixture
def bench() -> BenchFile:
    return load_bench(SIM / "bench.yaml")


@pytest.fixture
def profile(tmp_path: Path) -> Write:
    def write(text: str) -> Profile:
        (tmp_path / "tried.yaml").write_text(f"wavewright-profile: 1\nname: tried\n{text}", encoding="utf-8")
        return load_profile("tried.yaml", folder=tmp_path)

    return write


def findings(rows: list[TrialRow]) -> dict[str, set[TrialOutcome]]:
    found: dict[str, set[TrialOutcome]] = {}
    for row in rows:
        found.setdefault(row.setting, set()).add(row.finding)
    return found


@pytest.mark.parametrize("role", ["digitizer", "supply", "meter"])
def test_a_shipped_profile_works_on_its_simulated_instrument(bench: BenchFile, role: str) -> None:
    rows = list(exercise_profile(load_profile(f"scpi-{role}"), bench))
    failing = [(row.setting, row.asked, row.remark) for row in rows if row.finding is TrialOutcome.FAILS]
    assert not failing
    assert all(row.duration >= 0 and row.messages for row in rows)


def test_a_wrong_header_fails_with_the_exact_message(bench: BenchFile, profile: Write) -> None:
    wrong = profile('extends: scpi-digitizer\nsettings: {input.offset: {set: "SENSe{input}:VOLTage:OFFSet {value}"}}\n')
    rows = [row for row in exercise_profile(wrong, bench) if row.finding is TrialOutcome.FAILS]
    assert {row.setting for row in rows} == {"input1.offset", "input4.offset", "capture as int8"}
    assert rows[0].messages == ("SENSe1:VOLTage:OFFSet -1.0E+01",)
    assert "-113" in rows[0].remark


def test_what_an_instrument_rounds_is_found(bench: BenchFile, profile: Write) -> None:
    odd = profile("extends: scpi-digitizer\nabilities: {ranges: [3 V, 5 V, 7 V]}\n")
    found = findings(list(exercise_profile(odd, bench)))
    assert found["input1.range"] == {TrialOutcome.ROUNDS}


def test_a_setting_that_cannot_be_asked_for_is_unconfirmed(bench: BenchFile, profile: Write) -> None:
    silent = profile('extends: scpi-digitizer\nsettings: {trigger.level: {set: "TRIGger:LEVel {value}"}}\n')
    assert findings(list(exercise_profile(silent, bench)))["trigger.level"] == {TrialOutcome.UNCONFIRMED}


def test_every_sample_format_is_captured(bench: BenchFile, profile: Write) -> None:
    two = profile(
        "extends: scpi-digitizer\nwaveform:\n  formats:\n"
        '    int16: {prepare: "FORMat:DATA INTeger,16", samples: int16, codes_over_range: 65536}\n'
        '    wrong: {prepare: "FORMat:DATA INTeger,7"}\n'
    )
    found = findings(list(exercise_profile(two, bench)))
    assert found["capture as int8"] == {TrialOutcome.WORKS}
    assert found["capture as int16"] == {TrialOutcome.WORKS}
    assert found["capture as wrong"] == {TrialOutcome.FAILS}


def test_an_exercise_never_switches_an_output_on_nor_passes_a_ceiling() -> None:
    device = Device({"OUTPut:STATe?": b"0\n"})
    library = library_of({MARKED: device})
    for message in load_profile("scpi-supply").grammar.settings.values():
        device.answers.update(dict.fromkeys(message.ask, b"0\n"))
    link = open_link(pyvisa.ResourceManager(library), MARKED, name="supply")
    ceilings = {"voltage": 12.0, "current": 0.5}
    list(exercise(Supply(link, load_profile("scpi-supply"), ceilings=ceilings)))
    assert {message for message in device.sent if message.startswith("OUTPut:STATe ")} == {"OUTPut:STATe 0"}
    volts = [float(m.split()[1]) for m in device.sent if m.startswith("SOURce:VOLTage:LEVel") and " " in m]
    amperes = [float(m.split()[1]) for m in device.sent if m.startswith("SOURce:CURRent:LEVel") and " " in m]
    assert max(volts) == 12.0
    assert max(amperes) == 0.5


class OneAtATime(Device):
    """Answers the first query of a message, and no other."""

    def __call__(self, message: bytes) -> bytes | None:
        return super().__call__(message.partition(b";")[0] + b"\n" if b"?;" in message else message)


@pytest.mark.parametrize("declared", [True, False])
@pytest.mark.parametrize("kind", [Device, OneAtATime])
def test_it_says_whether_an_instrument_takes_several_queries_in_a_message(
    profile: Write, kind: type[Device], declared: bool
) -> None:
    tried = profile(f"extends: scpi-supply\nquirks: {{timeout: 50 ms, compound_queries: {str(declared).lower()}}}\n")
    device = kind({"OUTPut:STATe?": b"0\n"})
    for number, setting in enumerate(tried.grammar.settings.values()):
        device.answers.update({query: b"%d\n" % number for query in setting.ask if query not in device.answers})
    link = open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED, name="tried", manners=tried.manners)
    (row,) = (one for one in exercise(Supply(link, tried)) if one.setting == "several queries")
    takes = kind is Device
    assert row.used is takes
    assert row.finding is (TrialOutcome.FAILS if declared and not takes else TrialOutcome.WORKS)
    wanted = {(True, False): "compound_queries: true", (False, True): "compound_queries: false"}
    assert wanted.get((takes, declared), "") in row.remark


def test_an_exercise_on_a_bench_without_the_role_is_refused(bench: BenchFile) -> None:
    grammar = bench.grammar.model_copy(update={"instruments": {"supply": bench.instruments["supply"]}})
    small = replace(bench, grammar=grammar, profiles=MappingProxyType({"supply": bench.profiles["supply"]}))
    with pytest.raises(BenchFault, match="the bench has no digitizer to try `scpi-digitizer` on"):
        list(exercise_profile(load_profile("scpi-digitizer"), small))


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.DISPLAY])
def test_there_are_values_to_try_for_every_setting_of_a_shipped_profile(role: Role) -> None:
    shipped = load_profile(f"scpi-{role}")
    without = {
        name for name in shipped.grammar.settings if shipped.can_set(name) and not values_to_try(name, shipped, {})
    }
    assert without <= {"inputs.used", "protection.clear", "arbitrary", "trigger"}


def test_the_simulated_bench_is_recognised_and_makes_a_bench_file(bench: BenchFile, tmp_path: Path) -> None:
    manager = open_manager(bench.grammar.library, folder=bench.folder, settings=bench.simulation_settings())
    found = list(scan(manager))
    by_profile = {one.profiles[0]: one.resource for one in found if one.profiles}
    assert by_profile == {
        "scpi-digitizer": "TCPIP0::digitizer.example::inst0::INSTR",
        "scpi-supply": "TCPIP0::supply.example::inst0::INSTR",
        "scpi-source": "TCPIP0::source.example::inst0::INSTR",
        "scpi-meter": "TCPIP0::meter.example::inst0::INSTR",
        "scpi-display": "TCPIP0::prompts.example::inst0::INSTR",
    }
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text(found, library="@py"), encoding="utf-8")
    written = load_bench(path)
    assert {name: entry.profile for name, entry in written.instruments.items()} == {
        "digitizer": "scpi-digitizer", "supply": "scpi-supply", "source": "scpi-source", "meter": "scpi-meter",
        "display": "scpi-display",
    }  # fmt: skip


METER, TEXT = "SENSe:VOLTage:DC:NPLCycles?", "DISPlay:TEXT?"


@pytest.mark.parametrize(
    "answers, profiles",
    [
        ({METER: b"1.0\n", TEXT: b'""\n'}, ("scpi-meter",)),  # most instruments have a display
        ({TEXT: b'"Probe ""1"" on TP3."\n'}, ("scpi-display",)),
        ({TEXT: b"0\n"}, ()),
    ],
)
def test_a_display_is_what_is_nothing_else(answers: dict[str, bytes], profiles: tuple[str, ...]) -> None:
    manager = pyvisa.ResourceManager(library_of({MARKED: Device(answers)}))
    (found,) = scan(manager, addresses=[MARKED], profiles=[load_profile("scpi-display"), load_profile("scpi-meter")])
    assert found.profiles == profiles


def test_a_profile_for_a_certain_identity_goes_before_the_general_ones(profile: Write) -> None:
    special = profile('extends: scpi-supply\nanswers_to: "^Reedbank,Plain"\n')
    manager = pyvisa.ResourceManager(library_of({MARKED: Device()}))
    (found,) = scan(manager, addresses=[MARKED], profiles=[load_profile("scpi-supply"), special])
    assert found == ScannedAddress(MARKED, "Reedbank,Plain,0,1.0", ("tried",), asked="*IDN?")


def test_who_does_not_answer_is_listed_with_the_reason() -> None:
    manager = pyvisa.ResourceManager(library_of({MARKED: Device({"*IDN?": None, "?IDN": b"ERROR\n"})}))
    found = list(scan(manager, addresses=[MARKED, STREAM]))
    assert "answers `ERROR`" in found[0].fault
    assert "no connection: " in found[1].fault
    assert bench_text(found, library="@py").count("# TCPIP0") == 2


def test_a_scan_only_asks() -> None:
    device = Device()
    list(scan(pyvisa.ResourceManager(library_of({MARKED: device})), addresses=[MARKED]))
    assert all(message.endswith("?") for message in device.sent)


# what the profile says of an armed digitizer, the finding, what is said of it: the simulated one keeps SCPI-99
ARMED: list[tuple[str, TrialOutcome, str]] = [
    ('{ask: "STATus:OPERation:CONDition?", mask: 96, equals: 32}', TrialOutcome.WORKS, ""),
    ('{ask: "STATus:OPERation:CONDition?", mask: 32}', TrialOutcome.WORKS, ""),
    ('{ask: "STATus:OPERation:CONDition?", pattern: "^32$"}', TrialOutcome.WORKS, ""),
    (
        '{ask: "STATus:OPERation:CONDition?", mask: 64, within: 50 ms}',
        TrialOutcome.FAILS,
        "does not wait for the trigger",
    ),
    (
        '{ask: "STATus:OPERation:CONDition?", mask: 48, within: 50 ms}',
        TrialOutcome.FAILS,
        "does not wait for the trigger",
    ),
    ('{ask: "SYSTem:VERSion?", pattern: "1999", within: 50 ms}', TrialOutcome.FAILS, "before it is armed"),
    # the event register says so once, whatever happens after that
    ('{ask: "STATus:OPERation:EVENt?", mask: 32, within: 50 ms}', TrialOutcome.FAILS, "does not wait for the trigger"),
    ('{ask: "STATus:OPERation:WAITing?", mask: 32, within: 50 ms}', TrialOutcome.FAILS, "-113"),
]


@pytest.mark.parametrize("armed, finding, said", ARMED)
def test_what_a_profile_says_of_an_armed_digitizer_is_tried(
    bench: BenchFile, profile: Write, armed: str, finding: TrialOutcome, said: str
) -> None:
    tried = profile(f"extends: scpi-digitizer\nquirks: {{timeout: 300 ms}}\nacquire: {{armed: {armed}}}\n")
    rows = list(exercise_profile(tried, bench))
    (row,) = (one for one in rows if one.setting == "armed")
    assert row.finding is finding
    assert said in row.remark
    assert row.messages[0] == "INITiate"
    assert row.messages[-1] == "ABORt"
    # and nothing else suffers from it
    assert {one.finding for one in rows if one.setting.startswith("capture")} == {TrialOutcome.WORKS}


def test_a_profile_that_says_nothing_of_it_is_not_tried_there(bench: BenchFile, profile: Write) -> None:
    tried = profile('extends: scpi-digitizer\nacquire: {armed: {ask: ""}}\n')
    assert not [row for row in exercise_profile(tried, bench) if row.setting == "armed"]
