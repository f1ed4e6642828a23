"""What a setup means in settings of a digitizer, what it lacks for it, where it ended up: all without an instrument.

Setups speak of the probe tip, instruments of their own connector: the probe's attenuation is applied here, and taken
out again in `at_the_tip`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from wavewright.errors import BenchFault, Misuse, Place
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup
from wavewright.quantities import show_quantity

_AT_THE_TIP = ("range", "offset", "upper", "lower")
_OF_TRIGGER_INPUT = ("trigger.level", "trigger.hysteresis")


def digitizer_assignments(setup: DigitizerSetup, profile: Profile) -> tuple[Assignment, ...]:
    """The settings of a setup that this profile knows, in the order in which they are sent.

    Raises
    ------
    Misuse : the trigger is on a channel that the setup does not have.
    """
    numbers = sorted({one.input for one in setup.inputs.values()})
    wanted = [Assignment("inputs.used", tuple(numbers))]
    wanted += [
        Assignment("input.on", number in numbers, number)
        for number in range(1, max(profile.grammar.inputs, *numbers, 1) + 1)
    ]
    for one in sorted(setup.inputs.values(), key=lambda each: each.input):
        wanted += _input_assignments(one)
    wanted += _timebase_assignments(setup.timebase, profile)
    wanted += _trigger_assignments(setup)
    return tuple(assignment for assignment in wanted if profile.can_set(assignment.setting))


def trial_settings(profile: Profile) -> tuple[str, ...]:
    """The settings that the scale of a record and the time between its samples follow from, by this profile."""
    interval = next((name for name in ("timebase.interval", "timebase.rate") if profile.can_ask(name)), "")
    of_time = (interval,) if interval else ("timebase.span", "timebase.points")
    return (*(f"input.{name}" for name in _AT_THE_TIP), *of_time)


def changed_assignments(before: Sequence[Assignment], after: Sequence[Assignment]) -> tuple[Assignment, ...]:
    """The settings of every group in which one differs from what was sent before; all of them if nothing was.

    The settings of a group depend on each other, so they are sent together; the level of the trigger depends on the
    range of its input, so the trigger is sent with any input.
    """
    old, new = (_by_group(each) for each in (before, after))
    changed = {group for group, each in new.items() if old.get(group) != each}
    if any(isinstance(group, int) for group in changed):
        changed.add("trigger")
    return tuple(one for one in after if _group(one) in changed)


def _by_group(assignments: Iterable[Assignment]) -> dict[int | str, list[Assignment]]:
    groups: dict[int | str, list[Assignment]] = {}
    for one in assignments:
        groups.setdefault(_group(one), []).append(one)
    return groups


def _group(one: Assignment) -> int | str:
    """An input by its number, else the first word: `timebase`, `trigger`."""
    head = one.setting.partition(".")[0]
    return one.input if head == "input" and one.input is not None else head


def _input_assignments(one: InputSetup) -> Iterable[Assignment]:
    span, middle = one.range / one.attenuation, one.offset / one.attenuation
    yield Assignment("input.coupling", one.coupling, one.input)
    if one.impedance is not None:
        yield Assignment("input.impedance", one.impedance, one.input)
    if one.bandwidth_limit is not None:
        yield Assignment("input.bandwidth_limit", one.bandwidth_limit, one.input)
    yield Assignment("input.bandwidth_limit.on", one.bandwidth_limit is not None, one.input)
    yield Assignment("input.range", span, one.input)
    yield Assignment("input.offset", middle, one.input)
    yield Assignment("input.upper", middle + span / 2, one.input)
    yield Assignment("input.lower", middle - span / 2, one.input)


def _timebase_assignments(timebase: TimebaseSetup, profile: Profile) -> Iterable[Assignment]:
    knows_interval = profile.can_set("timebase.interval")
    if knows_interval:
        yield Assignment("timebase.interval", timebase.interval)
    elif profile.can_set("timebase.rate"):
        yield Assignment("timebase.rate", 1 / timebase.interval)
        knows_interval = True
    yield Assignment("timebase.points", timebase.points)
    if not (knows_interval and profile.can_set("timebase.points")):
        yield Assignment("timebase.span", timebase.span)
    position = timebase.before_trigger / timebase.span
    if profile.can_set("timebase.reference_position"):
        inside = min(max(position, 0.0), 1.0)
        yield Assignment("timebase.reference_position", inside)
        yield Assignment("timebase.reference_time", (inside - position) * timebase.span)
    else:
        yield Assignment("timebase.reference_time", -timebase.before_trigger)
    yield Assignment("timebase.before_trigger", timebase.before_trigger)


def _trigger_assignments(setup: DigitizerSetup) -> Iterable[Assignment]:
    trigger = setup.trigger
    if not trigger.on:
        yield Assignment("trigger.source", "immediate")
        return
    one = trigger_input(setup)
    yield Assignment("trigger.source", "input", one.input)
    yield Assignment("trigger.slope", str(trigger.edge))
    yield Assignment("trigger.level", trigger.level / one.attenuation)
    if trigger.hysteresis is not None:
        yield Assignment("trigger.hysteresis", trigger.hysteresis / one.attenuation)
    if trigger.holdoff is not None:
        yield Assignment("trigger.holdoff", trigger.holdoff)
    yield Assignment("trigger.auto", trigger.mode == "auto")


def trigger_input(setup: DigitizerSetup) -> InputSetup:
    """The input that the trigger watches.

    Raises
    ------
    Misuse : the setup has no such channel.
    """
    if setup.trigger.on not in setup.inputs:
        raise Misuse(f"trigger on `{setup.trigger.on}`", expected=f"one of {', '.join(setup.inputs)}")
    return setup.inputs[setup.trigger.on]


def digitizer_messages(profile: Profile, setup: DigitizerSetup) -> tuple[str, ...]:
    """What configuring sends, in order, for the plan; the queries that read back are left out.

    Raises
    ------
    Misuse : the profile cannot say one of them.
    """
    return profile.messages_for(digitizer_assignments(setup, profile))


def shot_messages(profile: Profile, setup: DigitizerSetup) -> tuple[str, ...]:
    """What one shot sends, in order: arm, wait, and fetch each input."""
    acquire, waveform = profile.grammar.acquire, profile.grammar.waveform
    request, poll = acquire.finished.service_request, acquire.finished.poll
    wait = (*poll.before, poll.ask) if poll else (acquire.finished.ask,) if acquire.finished.ask else ()
    fetches = [
        message.replace("{input}", str(number))
        for number in sorted({one.input for one in setup.inputs.values()})
        for message in waveform.fetch
    ]
    return (*(request.before if request else ()), *acquire.arm, *wait, *fetches)


def at_the_tip(used: Mapping[str, float | str | bool], setup: DigitizerSetup) -> dict[str, float | str | bool]:
    """Settings as read back, in volts at the probe tip where they are volts."""
    factors = {f"input{one.input}.{name}": one.attenuation for one in setup.inputs.values() for name in _AT_THE_TIP}
    if setup.trigger.on:
        factors |= dict.fromkeys(_OF_TRIGGER_INPUT, trigger_input(setup).attenuation)
    return {
        name: value * factors[name] if name in factors and not isinstance(value, str | bool) else value
        for name, value in used.items()
    }


def digitizer_faults(
    profile: Profile,
    setup: DigitizerSetup,
    *,
    bandwidth: float = 0.0,
    places: Mapping[str, Place] = MappingProxyType({}),
    has_timebase: bool = True,
) -> tuple[BenchFault, ...]:
    """What this kind of digitizer cannot do of a setup.

    Parameters
    ----------
    bandwidth : Hz that the recipe needs.
    places : where the recipe says it: `bandwidth`, `timebase.interval`, `timebase.points`, and `NAME.range` by channel.
    has_timebase : False where the time base is to be found on the bench.
    """
    abilities, timebase = profile.grammar.abilities, setup.timebase
    faults = [*_missing_inputs(profile, setup, places), *_unspoken(profile, setup)]
    limited: list[_Limited] = [("bandwidth", "the bandwidth", bandwidth, "Hz", None, abilities.bandwidth)]
    if has_timebase:
        rates, counts = (abilities.least_rate, abilities.rate), (abilities.least_points, abilities.points)
        limited.append(("timebase.interval", "the rate", 1 / timebase.interval, "Hz", *rates))
        limited.append(("timebase.points", "the record", float(timebase.points), "", *counts))
    for name, one in setup.inputs.items():
        widest = max(abilities.ranges) * one.attenuation if abilities.ranges else None
        limited.append((f"{name}.range", f"the range of `{name}`", one.range, "V", None, widest))
    for key, what, value, unit, least, most in limited:
        if expected := _beyond(value, unit, least, most):
            said = f"{what} of {show_quantity(value, unit)}"
            faults.append(BenchFault(said, where=places.get(key, ""), expected=f"{expected} by `{profile.name}`"))
    return tuple(faults)


def nearest_range_not_below(profile: Profile, range: float, *, attenuation: float = 1.0) -> float:
    """The smallest full scale, V at the probe tip, that holds a range; the range itself where none are listed.

    The largest there is, if none holds it: `digitizer_faults` says so.
    """
    listed = sorted(step * attenuation for step in profile.grammar.abilities.ranges)
    return next((step for step in listed if step >= range * (1 - 1e-9)), listed[-1] if listed else range)


def _missing_inputs(profile: Profile, setup: DigitizerSetup, places: Mapping[str, Place]) -> Iterable[BenchFault]:
    for name, one in setup.inputs.items():
        if not 1 <= one.input <= profile.grammar.inputs:
            yield BenchFault(
                f"channel `{name}` is on input {one.input}, and `{profile.name}` has {profile.grammar.inputs}",
                where=places.get(f"{name}.range", ""),
                expected=f"1 to {profile.grammar.inputs}",
            )


def _unspoken(profile: Profile, setup: DigitizerSetup) -> Iterable[BenchFault]:
    """What a setup requests other than an instrument has it by default, and the profile cannot say.

    Left alone such a setting would be measured past: AC coupling that stays DC gives a number, and a wrong one.
    """
    for wanted, needed, settings in (
        *(row for name, one in setup.inputs.items() for row in _wanted_of_input(name, one, profile)),
        (
            "a record that begins elsewhere than at the trigger",
            setup.timebase.before_trigger != 0,
            ("timebase.before_trigger", "timebase.reference_time", "timebase.reference_position"),
        ),
        *_wanted_of_trigger(setup.trigger, profile),
    ):
        if needed and not any(profile.can_set(setting) for setting in settings):
            yield BenchFault(
                f"{wanted}, which `{profile.name}` cannot set",
                expected=f"in the profile a setting {' or '.join(f'`{setting}`' for setting in settings)}",
            )


_Wanted = tuple[str, bool, tuple[str, ...]]  # what for, whether it is needed, any of these settings gives it


def _wanted_of_input(name: str, one: InputSetup, profile: Profile) -> Iterable[_Wanted]:
    abilities = profile.grammar.abilities
    another_impedance = one.impedance is not None and abilities.impedances != (one.impedance,)
    limits = ("input.bandwidth_limit", "input.bandwidth_limit.on")
    yield f"`{name}` with {one.coupling} coupling", one.coupling != "dc", ("input.coupling",)
    yield f"`{name}` with a chosen impedance", another_impedance, ("input.impedance",)
    yield f"`{name}` with a bandwidth limit", one.bandwidth_limit is not None, limits
    yield f"`{name}` with an offset", one.offset != 0, ("input.offset", "input.upper")


def _wanted_of_trigger(trigger: TriggerSetup, profile: Profile) -> Iterable[_Wanted]:
    if trigger.on:
        yield "a trigger on a channel", profile.grammar.inputs > 1, ("trigger.source",)
        yield "a trigger on a channel", True, ("trigger.level",)
        yield f"a trigger on {trigger.edge} edges", str(trigger.edge) != "rising", ("trigger.slope",)
    yield "a trigger with hysteresis", trigger.hysteresis is not None, ("trigger.hysteresis",)
    yield "a trigger with hold-off", trigger.holdoff is not None, ("trigger.holdoff",)


# what it is in `places` and in words, its value and unit, the least and the most that there is
_Limited = tuple[str, str, float, str, float | None, float | None]


def _beyond(value: float, unit: str, least: float | None, most: float | None) -> str:
    """What is expected instead; empty if the value lies within. A rounding of 1e-9 is not a fault."""
    if most is not None and value > most * (1 + 1e-9):
        return f"at most {show_quantity(most, unit)}"
    if least is not None and value < least * (1 - 1e-9):
        return f"at least {show_quantity(least, unit)}"
    return ""


def expected_timebase(timebase: TimebaseSetup) -> dict[str, float]:
    """What the settings of the time base should be; NaN, which nothing equals, where two equal answers must decide."""
    return {
        "timebase.interval": timebase.interval,
        "timebase.rate": 1 / timebase.interval,
        "timebase.points": timebase.points,
        "timebase.span": timebase.span,
        "timebase.before_trigger": timebase.before_trigger,
        "timebase.reference_position": math.nan,
        "timebase.reference_time": math.nan,
    }
