"""What a profile may say of the instrument's own values, and what is asked."""

from __future__ import annotations

from pathlib import Path

import pytest
import pyvisa

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, library_of
from wavewright.analysis.catalogue import metrics
from wavewright.errors import Complaint, FileFault, Misuse
from wavewright.instruments.connecting import open_link
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.profile import load_profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup

SIM = Path(__file__).parents[2] / "sim"
PROFILES = ("scpi-digitizer", str(SIM / "profiles/grid-digitizer.yaml"), str(SIM / "profiles/plain-digitizer.yaml"))

WRONG = [
    ("riss_time: {ask: 'FETCh?'}", "`own_values`: unknown metric `riss_time`", "did you mean `rise_time`"),
    ("delay: {ask: 'FETCh?'}", "`own_values`: `delay` takes more than one channel", ""),
    ("mean: {ask: 'FETCh? {value}'}", "`{value}` in the own value `mean` has no meaning", "expected: one of input"),
    ("mean: {before: 'PICK {number}', ask: 'FETCh?'}", "`{number}` in the own value `mean` has no meaning", ""),
]


@pytest.mark.parametrize("entry, what, more", WRONG, ids=[row[0] for row in WRONG])
def test_an_own_value_that_cannot_be_is_refused_with_the_file(tmp_path: Path, entry: str, what: str, more: str) -> None:
    text = f"wavewright-profile: 1\nname: own\nextends: scpi-digitizer\nown_values:\n  {entry}\n"
    (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileFault) as refused:
        load_profile("own.yaml", folder=tmp_path)
    assert str(tmp_path / "own.yaml") in str(refused.value)
    assert what in str(refused.value)
    assert more in str(refused.value)


@pytest.mark.parametrize("name", PROFILES, ids=["scpi", "grid", "plain"])
def test_the_profiles_know_own_values_of_metrics_that_there_are(name: str) -> None:
    own = load_profile(name).grammar.own_values
    assert {"maximum", "minimum", "peak_to_peak", "mean", "frequency"} <= set(own) <= set(metrics())


@pytest.fixture
def digitizer() -> Digitizer:
    """Through a probe 10x on input 2, with an instrument that says 0.25 to whatever it is asked of itself."""
    device = Device({"*OPC?": b"1\n"})
    profile = load_profile("scpi-digitizer")
    for own in profile.grammar.own_values.values():
        device.answers[own.ask.replace("{input}", "2")] = b"0.25\n"
    for setting in profile.grammar.settings.values():
        device.answers.update({ask.replace("{input}", "2"): b"1\n" for ask in setting.ask})
    device.answers.update(
        {"INPut2:COUPling?": b"DC\n", "TRIGger:SOURce?": b"IMM\n", "SENSe:SWEep:TINTerval?": b"1E-6\n"}
    )
    made = Digitizer(open_link(pyvisa.ResourceManager(library_of({MARKED: device})), MARKED), profile)
    made.device = device  # type: ignore[attr-defined]
    setup = InputSetup(2, 8.0, 0.0, attenuation=10)
    made.configure(DigitizerSetup({"rail": setup}, TimebaseSetup(100, 1e-6), TriggerSetup()))
    return made


@pytest.mark.parametrize(
    "metric, value",
    [
        ("amplitude", 2.5),  # volts at the connector, through a probe 10x
        ("frequency", 0.25),
        ("duty_factor", 0.0025),  # per cent, from memory, not verified
    ],
)
def test_volts_are_those_at_the_probe_tip_and_nothing_else_is_multiplied(
    digitizer: Digitizer, metric: str, value: float
) -> None:
    assert digitizer.own_value(metric, "rail") == pytest.approx(value)


def test_an_answer_with_a_complaint_after_it_is_no_value(digitizer: Digitizer) -> None:
    errors = [b'-230,"Data corrupt or stale"\n', b'0,"No error"\n']
    digitizer.device.answers["SYSTem:ERRor?"] = errors  # type: ignore[attr-defined]
    with pytest.raises(Complaint, match="-230"):
        digitizer.own_value("mean", "rail")


def test_a_channel_that_is_not_set_up_has_no_own_value(digitizer: Digitizer) -> None:
    with pytest.raises(Misuse, match="no channel `reset`"):
        digitizer.own_value("mean", "reset")
