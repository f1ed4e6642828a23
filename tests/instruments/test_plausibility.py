"""Numbers that no instrument of a kind can mean."""

from __future__ import annotations

import math

import pytest

from wavewright.errors import BadAnswer
from wavewright.instruments.profile import load_profile
from wavewright.instruments.vocabulary import VOCABULARY, ValueKind

NONSENSE = [
    ("scpi-digitizer", "timebase.reference_position", "40"),
    ("scpi-digitizer", "timebase.points", "2000.5"),
    ("scpi-digitizer", "timebase.points", "-1000"),
    ("scpi-digitizer", "timebase.interval", "0"),
    ("scpi-digitizer", "timebase.interval", "1E-12"),
    ("scpi-digitizer", "input.range", "-8"),
    ("scpi-digitizer", "input.offset", "1E9"),
    ("scpi-supply", "voltage", "-400"),
    ("scpi-supply", "measured.current", "-120E9"),
    ("scpi-supply", "current_limit", "-0.1"),
    ("scpi-source", "frequency", "0"),
    ("scpi-source", "duty_factor", "400"),
    ("scpi-meter", "cycles", "-1"),
]


@pytest.mark.parametrize("name, setting, answer", NONSENSE)
def test_it_is_a_bad_answer(name: str, setting: str, answer: str) -> None:
    with pytest.raises(BadAnswer):
        load_profile(name).read(setting, answer, values={"quantity": "VOLTage:DC"})


@pytest.mark.parametrize("answer", ["9.9E37", "-9.9E37", "9.91E37"])
def test_overload_and_no_value_are_none_of_its_business(answer: str) -> None:
    assert not math.isfinite(float(load_profile("scpi-supply").read("measured.current", answer)))


def test_what_an_instrument_can_do_is_plausible() -> None:
    # the abilities of the shipped profile, both ends
    profile = load_profile("scpi-digitizer")
    for setting, values in {
        "input.range": (0.08, 40.0),
        "input.offset": (-40.0, 40.0),
        "timebase.interval": (4e-9, 1e-2),
        "timebase.points": (2, 10e6),
        "timebase.reference_position": (0.0, 1.0),
    }.items():
        for value in values:
            assert float(profile.read(setting, f"{value:.9E}")) == pytest.approx(value)


def test_every_number_of_every_role_has_bounds() -> None:
    from wavewright.instruments.plausibility import bounds
    from wavewright.instruments.profile_grammar import Abilities

    for entries in VOCABULARY.values():
        for setting, entry in entries.items():
            if entry.kind in (ValueKind.NUMBER, ValueKind.COUNT):
                least, most = bounds(setting, entry, Abilities())
                assert -math.inf < least < most < math.inf, setting
