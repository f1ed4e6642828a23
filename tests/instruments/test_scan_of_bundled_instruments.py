"""A scan over the definition file that PyVISA-sim 0.7.1 brings (`default.yaml`): every one of its resources told apart.

Devices 1 to 5 of that file: 1 answers `?IDN` and says `ERROR` to all else, 2 to 4 answer `*IDN?` alike, 5 knows no
query for an identity at all, but has an error queue.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

import pytest

from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.library import open_manager
from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.scan import ScannedAddress, bench_text, scan, shipped

OLDER, MOCK = "LSG Serial #1234", "SCPI,MOCK,VERSION_1.0"
NAMELESS = "no identity by `*IDN?` or `?IDN`; answers `1, Command error` to `:SYST:ERR?`"
RESOURCES = [  # in the order of the file: device, what it says
    *((resource, OLDER, "?IDN") for resource in (
        "ASRL1::INSTR", "USB0::0x1111::0x2222::0x1234::0::INSTR", "TCPIP0::localhost::inst0::INSTR",
        "TCPIP0::localhost::10001::SOCKET", "GPIB0::8::INSTR", "USB0::0x1111::0x2222::0x4445::0::RAW",
    )),
    *((resource, MOCK, "*IDN?") for resource in (
        "ASRL2::INSTR", "USB0::0x1111::0x2222::0x2468::0::INSTR", "TCPIP0::localhost:2222::inst0::INSTR",
        "GPIB0::9::INSTR",
        "ASRL3::INSTR", "USB0::0x1111::0x2222::0x3692::0::INSTR", "TCPIP0::localhost:3333::inst0::INSTR",
        "GPIB0::10::INSTR",
        "ASRL4::INSTR", "USB0::0x1111::0x2222::0x4444::0::INSTR", "TCPIP0::localhost:4444::inst0::INSTR",
        "GPIB0::4::INSTR",
    )),
    *((resource, "", ":SYST:ERR?") for resource in (
        "ASRL5::INSTR", "USB0::0x1111::0x2222::0x5555::0::INSTR", "TCPIP0::localhost:5555::inst0::INSTR",
        "GPIB0::5::INSTR",
    )),
]  # fmt: skip
PROFILES = {
    "older.yaml": """
name: older
role: source
answers_to: "^LSG Serial"
identify: "?IDN"
reset: ["*RST"]
errors: {ask: ""}
restarted: {ask: ""}
settings:
  function: {ask: "?WVF", words: {sine: "0", square: "1"}}
  frequency: {set: "!FREQ {value}", ask: "?FREQ"}
  output: {set: "!OUT {value}", ask: "?OUT"}
""",
    "nameless.yaml": """
name: nameless
role: meter
identify: ""                  # it has none
recognised_by: ":READ?"
reset: ["*RST"]
errors: {ask: ":SYST:ERR?"}
restarted: {ask: ""}
settings: {reading: {ask: ":READ?"}}
""",
}


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """PyVISA-sim waits in real time for what never comes; what does come is there at once."""
    monkeypatch.setattr("wavewright.instruments.scan.PATIENCE", 0.05)


@pytest.fixture
def own(tmp_path: Path) -> list[Profile]:
    for name, text in PROFILES.items():
        (tmp_path / name).write_text(f"wavewright-profile: 1{text}", encoding="utf-8")
    return [load_profile(str(tmp_path / name)) for name in PROFILES]


def found_at(addresses: Sequence[str] | None, profiles: Sequence[Profile] = ()) -> list[ScannedAddress]:
    manager = open_manager("@sim", folder=Path())
    return list(scan(manager, addresses=addresses, profiles=[*profiles, *shipped()]))


def test_the_file_is_that_of_the_version_named_here() -> None:
    assert version("pyvisa-sim") == "0.7.1"


@pytest.mark.slow  # the devices that answer nothing are waited for in real time
def test_all_resources_of_the_file_are_told_apart() -> None:
    found = {one.resource: one for one in found_at(None)}
    assert {name: (one.identity, one.asked) for name, one in found.items()} == {
        resource: (identity, asked) for resource, identity, asked in RESOURCES
    }
    assert not any(one.is_silent for one in found.values())
    assert {one.fault for one in found.values() if not one.identity} == {NAMELESS}
    # what they are, no shipped profile speaks: their headers are none of SCPI-99
    assert all(one.profiles == () for one in found.values())


def test_a_profile_in_a_file_identifies_by_its_own_query(own: list[Profile]) -> None:
    (found,) = found_at(["GPIB0::8::INSTR"], own)
    assert found == ScannedAddress("GPIB0::8::INSTR", OLDER, ("older",), "", "?IDN")


def test_a_profile_without_a_query_for_the_identity_is_recognised_by_another(own: list[Profile]) -> None:
    (found,) = found_at(["GPIB0::5::INSTR"], own)
    assert (found.identity, found.profiles) == ("", ("nameless",))
    assert "`1, Command error` to `:SYST:ERR?`; `a number` to `:READ?`" in found.fault


def test_what_was_found_makes_a_bench_file_that_works(own: list[Profile], tmp_path: Path) -> None:
    found = found_at(["GPIB0::8::INSTR", "GPIB0::9::INSTR", "GPIB0::5::INSTR"], own)
    path = tmp_path / "bench.yaml"
    path.write_text(bench_text(found, library="@sim", profiles=own), encoding="utf-8")
    assert f"# GPIB0::9::INSTR: {MOCK}" in path.read_text(encoding="utf-8")
    file = load_bench(path)
    assert sorted(file.instruments) == ["meter", "source"]
    with open_bench(file, ["meter"]) as bench:
        assert 0 <= float(bench.meter.get("reading")) <= 10.5  # the file says: RANDOM(0, 10.5, 1)


def test_profiles_of_the_standard_do_not_fit_who_only_answers_an_older_query() -> None:
    (found,) = found_at(["GPIB0::8::INSTR"])
    assert (found.identity, found.profiles) == (OLDER, ())
