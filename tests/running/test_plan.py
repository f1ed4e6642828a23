from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.vocabulary import Role
from wavewright.logbook.formats.catalogue import read_stored
from wavewright.recipe.load import parse_recipe
from wavewright.running.plan import Plan, plan
from wavewright.running.stored_waveforms import read_played

RECIPE = """
wavewright: 1
title: Reset hold
cautions: [The coil terminals fly back to 60 V.]
measurements:
  reset_hold:
    place: Probe 1 on TP9.
    channels: {reset: {input: 2, range: 8 V, offset: 2 V, probe: 10x}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 80k}
    trigger: {mode: MODE, edge: falling, level: 1.65 V}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    shots: 5
    compute:
      lowest: {metric: minimum}
"""


@pytest.fixture(scope="module")
def profiles() -> dict[Role, Profile]:
    names = ("scpi-digitizer", "scpi-supply", "scpi-display")
    return {profile.role: profile for profile in map(load_profile, names)}


def planned(profiles: dict[Role, Profile], *, mode: str = "normal", text: str = RECIPE) -> Plan:
    return plan(parse_recipe(text.replace("MODE", mode), "reset.yaml"), profiles, attenuations={2: 1.0})


def messages(steps: tuple[object, ...]) -> list[str]:
    return [message for step in steps for message in getattr(step, "messages")]  # noqa: B009


def test_in_normal_mode_the_stimulus_after_the_last_wait_comes_once_the_digitizer_is_armed(
    profiles: dict[Role, Profile],
) -> None:
    (one,) = planned(profiles).measurements
    sent = messages(one.for_every_shot)
    arm, on, asked = (sent.index(word) for word in ("INITiate", "OUTPut:STATe 1", "*OPC?"))
    off = sent.index("OUTPut:STATe 0")
    assert off < arm < on < asked


def test_in_auto_mode_the_stimulus_comes_once_before_the_first_shot(profiles: dict[Role, Profile]) -> None:
    (one,) = planned(profiles, mode="auto").measurements
    assert "OUTPut:STATe 1" in messages(one.first)
    assert messages(one.for_every_shot) == ["INITiate", "*OPC?", 'SENSe:DATA? "XTIMe:VOLTage 2"']


def test_every_measurement_begins_with_the_known_state(profiles: dict[Role, Profile]) -> None:
    (one,) = planned(profiles).measurements
    assert messages(one.first)[:2] == ["*RST", "*CLS"]
    assert messages(one.first).count("*RST") == 2


def test_ranges_of_the_recipe_are_at_the_probe_tip_and_messages_at_the_connector(profiles: dict[Role, Profile]) -> None:
    # math: 8 V around 2 V through a 10x probe is 0.8 V around 0.2 V at the connector, and the level 1.65 V is 0.165 V
    (one,) = planned(profiles).measurements
    sent = messages(one.first)
    assert "SENSe2:VOLTage:RANGe:PTPeak 8.0E-01" in sent
    assert "SENSe2:VOLTage:RANGe:OFFSet 2.0E-01" in sent
    (level,) = (message.split()[1] for message in sent if message.startswith("TRIGger:LEVel"))
    assert float(level) == pytest.approx(0.165)


def test_an_automatic_range_is_planned_with_the_one_that_the_search_begins_with(profiles: dict[Role, Profile]) -> None:
    text = RECIPE.replace("range: 8 V, offset: 2 V, probe: 10x", "range: auto")
    (one,) = planned(profiles, text=text).measurements
    widest = max(profiles[Role.DIGITIZER].grammar.abilities.ranges)
    assert any(message == f"SENSe2:VOLTage:RANGe:PTPeak {widest:.1E}" for message in messages(one.first))
    assert any(step.purpose == "find the range of reset" for step in one.first)


def test_the_estimate_counts_waits_and_records_once_a_shot(profiles: dict[Role, Profile]) -> None:
    # math: 5 shots of 0.2 s wait and 8 ms record are at least 1.04 s
    made = planned(profiles)
    assert 1.04 < made.seconds < 2.0


@pytest.mark.parametrize("is_said", [True, False])
def test_a_stimulus_comes_once_the_trigger_is_waited_for(
    profiles: dict[Role, Profile], tmp_path: Path, *, is_said: bool
) -> None:
    if not is_said:
        text = 'wavewright-profile: 1\nname: own\nextends: scpi-digitizer\nacquire: {armed: {ask: ""}}\n'
        (tmp_path / "own.yaml").write_text(text, encoding="utf-8")
        profiles = profiles | {Role.DIGITIZER: load_profile("own.yaml", folder=tmp_path)}
    recipe = parse_recipe(Path("recipes/end_of_line.yaml").read_text(), "recipe.yaml")
    made = plan(recipe, profiles | {Role.SOURCE: load_profile("scpi-source")}, attenuations={})
    (shot,) = (one.for_every_shot for one in made.measurements if one.label == "reset_hold")
    asked = [step.purpose for step in shot].index("arm") + 1
    assert (shot[asked].messages == ("STATus:OPERation:CONDition?",)) is is_said
    assert "set the supply" in [step.purpose for step in shot[asked:]]


def test_the_plan_ends_with_outputs_off(profiles: dict[Role, Profile]) -> None:
    assert messages(planned(profiles).last) == ["OUTPut:STATe 0"]


def test_a_plan_opens_no_connection(profiles: dict[Role, Profile], monkeypatch: pytest.MonkeyPatch) -> None:
    import pyvisa

    def refuse(*arguments: object) -> None:
        raise AssertionError("a plan touched VISA")

    monkeypatch.setattr(pyvisa, "ResourceManager", refuse)
    assert planned(profiles).measurements


def test_shipped_recipes_can_be_planned(profiles: dict[Role, Profile]) -> None:
    with_source = profiles | {role: load_profile(f"scpi-{role}") for role in (Role.SOURCE, Role.METER)}
    for path in sorted(Path("recipes").glob("*.yaml")):
        recipe = parse_recipe(path.read_text(), str(path))
        made = plan(recipe, with_source, attenuations={}, played=read_played(recipe, read_stored))
        assert all(one.for_every_shot for one in made.measurements)
