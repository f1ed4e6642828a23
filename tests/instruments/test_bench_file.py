"""The bench file: its places, the traps of addresses, ceilings, probes, and what a simulated library is told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from wavewright.errors import BenchFault, FileFault, Misuse
from wavewright.instruments.addresses import check_address
from wavewright.instruments.bench import check_identity, open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.vocabulary import Role

SIM = Path(__file__).parents[2] / "sim"
BENCH = """\
wavewright-bench: 1
library: "instruments.yaml@sim"
instruments:
  digitizer: {resource: "TCPIP0::digitizer.example::inst0::INSTR", profile: scpi-digitizer}
  supply: {resource: "TCPIP0::supply.example::inst0::INSTR", profile: scpi-supply, ceilings: {voltage: 26 V}}
probes: {1: {attenuation: 10, capacitance: 12 pF}}
simulation: {board: vc204.yaml, seed: 204}
"""
Write = Callable[..., BenchFile]


@pytest.fixture
def bench(tmp_path: Path) -> Write:
    def write(text: str) -> BenchFile:
        path = tmp_path / "bench.yaml"
        path.write_text(text, encoding="utf-8")
        return load_bench(path)

    return write


@pytest.mark.parametrize(
    "address",
    [
        "TCPIP0::192.0.2.5::inst0::INSTR", "TCPIP::192.0.2.5::INSTR", "TCPIP::192.0.2.5::hislip0,4881::INSTR",
        "TCPIP0::192.0.2.5::5025::SOCKET", "USB::0x1234::0x5678::SN1::INSTR", "GPIB::9::INSTR", "ASRL3::INSTR",
        "TCPIP0::digitizer.example::inst0::INSTR",
    ],
)  # fmt: skip
def test_an_address_is_taken_as_it_stands(address: str) -> None:
    # grammar of VPP-4.3 (second-hand), read by PyVISA 1.16.2
    assert check_address(address) == address


# what PyVISA 1.16.2 takes for something else, or refuses (tried with it)
@pytest.mark.parametrize(
    "address, words",
    [
        ("TCPIP::192.0.2.5::5025", "did you mean `TCPIP::192.0.2.5::5025::SOCKET`"),
        ("TCPIP0::192.0.2.5::5025::INSTR", "did you mean `TCPIP0::192.0.2.5::5025::SOCKET`"),
        ("TCPIP0::192.0.2.5::inst0::instr", "did you mean `TCPIP0::192.0.2.5::inst0::INSTR`"),
        ("TCPIP0::192.0.2.5::5025::socket", "did you mean `TCPIP0::192.0.2.5::5025::SOCKET`"),
        ("TCPIP0::[2001:db8::5]::inst0::INSTR", "give the host a name"),
        ("SCOPE", "is not a VISA address"),
        ("", "is not a VISA address"),
    ],
)
def test_a_trap_in_an_address_is_told_with_the_way_out(address: str, words: str) -> None:
    with pytest.raises(Misuse) as caught:
        check_address(address)
    assert words in str(caught.value)


def test_a_bench_knows_its_instruments_probes_and_seed(bench: Write) -> None:
    file = bench(BENCH)
    assert file.instruments["supply"].ceilings == {"voltage": 26.0}
    assert (file.probe(1).attenuation, file.probe(1).capacitance) == (10.0, pytest.approx(12e-12))
    assert file.probe(2).attenuation == 1.0
    assert file.seed == 204
    assert file.name_of_role(Role.SUPPLY) == "supply"
    assert file.name_of_role(Role.METER) is None


def test_a_simulated_library_is_told_absolute_paths_the_probes_and_another_seed(bench: Write) -> None:
    file = bench(BENCH)
    settings = file.simulation_settings(seed=7)
    assert settings["board"] == str((file.folder / "vc204.yaml").resolve())
    assert settings["seed"] == 7
    told = {"attenuation": 10.0, "capacitance": pytest.approx(12e-12), "ground_lead": 0.0}
    assert settings["probes"] == {1: told}


# what is changed in BENCH, the message with its place, what else it must say
FAULTS = {
    "unknown key": (
        ("profile: scpi-digitizer", "profil: scpi-digitizer"),
        r"bench.yaml:4:68: unknown key `profil`",
        "did you mean `profile`",
    ),
    "a port without SOCKET": (
        ('inst0::INSTR", profile: scpi-digitizer', '5025", profile: scpi-digitizer'),
        r"bench.yaml:4:25: .*names a port",
        "SOCKET",
    ),
    "unknown ceiling": (("voltage: 26 V", "volts: 26 V"), r"bench.yaml:5:.*unknown ceiling `volts`", "one of voltage"),
    "a ceiling without a unit": (("26 V", "26"), r"bench.yaml:5:.*`26` has no unit", "such as `24 V`"),
    "a ceiling that nothing checks": (
        ("profile: scpi-digitizer", "profile: scpi-digitizer, ceilings: {voltage: 5 V}"),
        r"nothing checks a ceiling of `voltage` on a digitizer",
        "no ceilings",
    ),
    "no such profile": (
        ("profile: scpi-supply", "profile: scpi-suply"),
        r"bench.yaml: instrument `supply`: there is no profile `scpi-suply`",
        "scpi-supply",
    ),
    "a probe that amplifies": (("attenuation: 10", "attenuation: 0.1"), r"bench.yaml:6:", "x"),
    "no instruments": (
        ("instruments:", "instrumens:"),
        r"bench.yaml:3:1: unknown key `instrumens`",
        "did you mean `instruments`",
    ),
}


@pytest.mark.parametrize("case", FAULTS, ids=str)
def test_a_fault_is_told_with_its_place(bench: Write, case: str) -> None:
    (old, new), words, expected = FAULTS[case]
    assert old in BENCH
    with pytest.raises(FileFault, match=words) as caught:
        bench(BENCH.replace(old, new))
    assert expected in str(caught.value)


def test_a_library_file_that_is_not_there_is_told(bench: Write) -> None:
    with pytest.raises(FileFault, match=r"there is no file .*instruments.yaml"), open_bench(bench(BENCH)):
        pass


def test_an_instrument_that_the_bench_does_not_have_is_told_before_anything_is_opened(bench: Write) -> None:
    with pytest.raises(BenchFault, match="has no `meter`") as caught, open_bench(bench(BENCH), ["meter"]):
        pass
    assert "one of digitizer, supply" in str(caught.value)


def test_another_instrument_than_the_profile_is_for_is_refused() -> None:
    with pytest.raises(BenchFault, match=r"it answers `Reedbank,Plain,0,1\.0`"):
        check_identity("Reedbank,Plain,0,1.0", "^Wavewright,", where="x")
    check_identity("Wavewright,Simulated supply,0,1.0", "^Wavewright,", where="x")


def test_the_shipped_benches_load() -> None:
    for path in sorted(SIM.glob("bench*.yaml")):
        assert load_bench(path).instruments


def test_roles_that_the_bench_has_not_are_told() -> None:
    with open_bench(load_bench(SIM / "bench.yaml"), ["supply"]) as bench:
        assert bench.supply.identity.startswith("Wavewright,")
        with pytest.raises(BenchFault, match="no instruments with the role digitizer"):
            bench.digitizer.arm()


@pytest.mark.parametrize("profile", ["''", '" "'])
def test_a_profile_without_a_name_is_a_fault_of_the_file(tmp_path: Path, profile: str) -> None:
    instrument = f"digitizer: {{resource: TCPIP::h::INSTR, profile: {profile}}}"
    text = f"wavewright-bench: 1\nlibrary: '@py'\ninstruments:\n  {instrument}\n"
    (tmp_path / "bench.yaml").write_text(text)
    with pytest.raises(FileFault) as refused:
        load_bench(tmp_path / "bench.yaml")
    assert "instrument `digitizer`: no profile is given" in str(refused.value)
    assert "scpi-digitizer" in str(refused.value)
