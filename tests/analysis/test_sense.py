"""Every numeric option of every metric, bus and layer says what makes sense, and refuses what does not."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Iterator
from typing import Annotated, Any

import pytest

from wavewright.analysis.catalogue import Parameter, metrics
from wavewright.analysis.measure import measure
from wavewright.analysis.parameters import (
    ReferenceLevel,
    check_order,
    check_units,
    read_parameter,
    unit_and_sense,
)
from wavewright.analysis.sense import ANY, COUNT, NOT_NEGATIVE, POSITIVE, PROPER_SHARE, SHARE, Sense
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame_metrics import frame_metrics
from wavewright.errors import Misuse
from wavewright.waveform import Waveform

OWN_UNITS = {"", "1", "s", "Hz", "V", "Bd", "bit/s", "ohm"}
LEVELS_MAY_BE_ANYWHERE = {"level", "low", "high", "begin", "second_level", "data_level", "clock_level"}


def every_option() -> Iterator[tuple[str, Parameter]]:
    for catalogue in (metrics(), frame_metrics(), buses(), layers()):
        for name, entry in catalogue.items():
            if entry.__class__.__module__.startswith("wavewright."):
                yield from ((f"{name}.{parameter.name}", parameter) for parameter in entry.parameters)


def numeric(annotation: Any) -> Any:
    """The numeric branch of an annotation, None where it has none."""
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return next((found for branch in typing.get_args(annotation) if (found := numeric(branch)) is not None), None)
    if typing.get_origin(annotation) is Annotated:
        return annotation if typing.get_args(annotation)[0] in (int, float, ReferenceLevel) else None
    return annotation if annotation in (int, float, ReferenceLevel) else None


OPTIONS = {name: (parameter, kind) for name, parameter in every_option() if (kind := numeric(parameter.annotation))}
BOUNDED = [
    (name, parameter, unit_and_sense(kind))
    for name, (parameter, kind) in OPTIONS.items()
    if typing.get_origin(kind) is Annotated and unit_and_sense(kind)[1].is_bounded
]


def test_every_number_states_its_sense_beside_its_type() -> None:
    silent = [
        name
        for name, (_, kind) in OPTIONS.items()
        if typing.get_origin(kind) is not Annotated
        or not any(isinstance(part, Sense) for part in typing.get_args(kind))
    ]
    levels = {name for name in silent if OPTIONS[name][1] is ReferenceLevel}
    assert {name.rpartition(".")[2] for name in levels} <= LEVELS_MAY_BE_ANYWHERE | {"low_state", "high_state"}
    assert set(silent) == levels


def test_every_option_that_bounds_nothing_says_so() -> None:
    free = {name.rpartition(".")[2] for name, (_, kind) in OPTIONS.items() if ANY in typing.get_args(kind)}
    assert free == {"after", "until", "step"}  # instants, which may lie before the trigger


def outside(sense: Sense) -> list[float]:
    """A number beyond each end."""
    found = [end - 1 for end in (sense.least, sense.above) if math.isfinite(end)]
    found += [end for end in (sense.above, sense.below) if math.isfinite(end)]
    return found + [end + 1 for end in (sense.most, sense.below) if math.isfinite(end)]


@pytest.mark.parametrize("name, parameter, said", BOUNDED, ids=[row[0] for row in BOUNDED])
def test_an_option_refuses_what_lies_beyond_each_end(name: str, parameter: Parameter, said: tuple[str, Sense]) -> None:
    for value in outside(said[1]):
        with pytest.raises(Misuse, match=f"`{parameter.name}` is `{value:g}"):
            read_parameter(value, parameter.annotation, name=parameter.name)
    if parameter.default is not None and isinstance(parameter.default, float | int):
        assert parameter.default in said[1], name


@pytest.mark.parametrize("name, parameter, said", BOUNDED, ids=[row[0] for row in BOUNDED])
def test_nothing_that_is_no_number_gets_past(name: str, parameter: Parameter, said: tuple[str, Sense]) -> None:
    for value in (math.nan, math.inf, -math.inf, True, "1e400", "nan", [1.0]):
        with pytest.raises(Misuse):
            read_parameter(value, parameter.annotation, name=parameter.name)


@pytest.mark.parametrize(
    "sense, inside, words",
    [
        (POSITIVE, [1e-300, 1e300], "above 0 Hz"),
        (NOT_NEGATIVE, [0.0, 1.0], "at least 0 Hz"),
        (COUNT, [1, 2], "at least 1 Hz"),
        (SHARE, [0.0, 0.5, 1.0], "0 Hz .. 1 Hz"),
        (PROPER_SHARE, [0.5], "above 0 Hz and below 1 Hz"),
        (Sense(above=0.0, most=1.0), [1.0], "above 0 Hz and at most 1 Hz"),
        (ANY, [-1e300, 0.0, 1e300], ""),
    ],
)
def test_a_sense_holds_its_ends_and_names_them(sense: Sense, inside: list[float], words: str) -> None:
    assert all(value in sense for value in inside)
    assert not any(value in sense for value in outside(sense))
    assert sense.in_words("Hz") == words


@pytest.mark.parametrize(
    "values",
    [
        {"low": ReferenceLevel(0.9, True), "high": ReferenceLevel(0.1, True)},
        {"low": ReferenceLevel(1.0, False), "high": ReferenceLevel(1.0, False)},
        {"lowest": 2e3, "highest": 1e3},
        {"after": 1e-3, "until": 1e-3},
    ],
)
def test_options_that_bound_nothing_are_refused(values: dict[str, object]) -> None:
    with pytest.raises(Misuse, match="is not below"):
        check_order(values)


def test_levels_that_cannot_be_compared_are_left_to_the_record() -> None:
    check_order({"low": ReferenceLevel(0.9, True), "high": ReferenceLevel(0.1, False)})
    check_order({"lowest": 2e3, "highest": None})


def test_a_level_in_another_unit_than_the_channel_is_refused() -> None:
    coil = Waveform.from_volts([0.0, 1.0] * 20, interval=1e-3, unit="A", name="coil")
    with pytest.raises(Misuse, match="`level` is in V, the channel in A"):
        measure(coil, "rising_edges", level="0.5 V")
    with pytest.raises(Misuse, match="`from` is in V"):
        measure(coil, "time_between", **{"from": "rising 0.5 V", "to": "falling 50 %"})
    assert measure(coil, "rising_edges", level="0.5 A").value == 20
    assert measure(coil, "rising_edges", level=0.5).value == 20
    check_units({"level": ReferenceLevel(0.5, False, "V")}, ["A", "V"])  # one of the two has it


@pytest.mark.parametrize(
    "metric, options",
    [
        ("rising_edges", {"hysteresis": "-0.1 V"}),
        ("rising_edges", {"hysteresis": "-10 %"}),
        ("eye_height", {"aperture": 2.0}),
        ("level_dbm", {"impedance": "-50 ohm"}),
        ("band_power", {"impedance": 0}),
        ("thd", {"harmonics": 0}),
        ("rise_time", {"low": "95 %"}),
        ("band_rms", {"lowest": "60 kHz", "highest": "40 kHz"}),
        ("state_level", {"number": 0}),
    ],
)
def test_a_senseless_option_gives_no_number(metric: str, options: dict[str, object]) -> None:
    wave = Waveform.from_volts([0.0, 1.0] * 20, interval=1e-3)
    with pytest.raises(Misuse):
        measure(wave, metric, **options)
