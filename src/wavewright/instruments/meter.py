"""The role `meter`: one number at a time, of voltage, current, resistance or temperature."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, ClassVar

from wavewright.errors import BadAnswer, Misuse, NotMeasurable, SetOtherwise
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.plausibility import FAR
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.vocabulary import METER_UNITS, Role
from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.instruments.link import Link
    from wavewright.instruments.setups import MeterSetup

# More than any meter on a bench reads: common practice, no source. The hottest thermocouples end below 2400 degC.
_MOST = {"V": 1e6, "A": 1e5, "ohm": 1e18, "degC": 3000.0}
TEMPERATURE, CELSIUS = "temperature", "celsius"
COLDEST = -273.15 - 1.0  # degC: absolute zero (SI Brochure, 2.3.1 †), and what a meter may be off there


class Meter(Instrument):
    """A digital meter."""

    role: ClassVar[Role] = Role.METER
    settings_interact: ClassVar[bool] = True

    def __init__(self, link: Link, profile: Profile, *, ceilings: Mapping[str, float] | None = None) -> None:
        super().__init__(link, profile, ceilings=ceilings)
        self._quantity = "dc_voltage"  # as it comes up by SCPI-99; `configure` chooses
        self._range: float | None = None

    def configure(self, setup: MeterSetup) -> Settings:
        """Choose quantity, range and aperture, and read back what the meter uses.

        Raises
        ------
        Misuse : the profile has no such quantity.
        SetOtherwise : the meter uses another quantity, a smaller range or a shorter aperture.
        Complaint, NoAnswer, BadAnswer, LinkLost
        """
        group = list(meter_assignments(setup, self.profile))
        used = self.apply(group, doing=f"choosing {setup.quantity}")
        self.check_as_requested(group, used)
        self._check_unit(setup)
        self._quantity, self._range = (
            setup.quantity,
            None if setup.range is None else float(used.get("range", math.inf)),
        )
        return used

    def read(self) -> float:
        """One reading in the unit of the quantity (`METER_UNITS`); one that is out of all sense is taken once more.

        Raises
        ------
        NotMeasurable : overload, or the meter says that it has no value.
        Complaint, NoAnswer, BadAnswer, LinkLost
        """
        try:
            value = self._reading()
        except BadAnswer:
            if not self.profile.grammar.quirks.repeats_queries:
                raise
            value = self._reading()
        if not math.isfinite(value):
            raise NotMeasurable(
                "the meter has no value" if math.isnan(value) else "the meter is overloaded",
                where=self.link.where,
                expected="a magnitude within its range",
                do="use a higher range, or none, so that it ranges automatically",
            )
        return value

    def measure(self, setup: MeterSetup) -> float:
        """Configure, then one reading."""
        self.configure(setup)
        return self.read()

    def _check_unit(self, setup: MeterSetup) -> None:
        """See that temperatures come in degC from a meter that can only be asked for their unit."""
        profile = self.profile
        if setup.quantity != TEMPERATURE or profile.can_set("temperature.unit"):
            return
        if profile.can_ask("temperature.unit") and (unit := self.get("temperature.unit")) != CELSIUS:
            raise SetOtherwise(
                f"the meter reads temperatures in {unit}",
                where=self.link.where,
                expected=CELSIUS,
                do="change it at the meter, or state in its profile how `temperature.unit` is set",
            )

    def _reading(self) -> float:
        value = float(self.get("reading", timeout=self.profile.grammar.quirks.record_timeout))
        unit = METER_UNITS[self._quantity]
        most = _MOST[unit] if self._range is None else FAR * self._range
        is_too_cold = unit == METER_UNITS[TEMPERATURE] and value < COLDEST
        if math.isfinite(value) and (abs(value) > most or is_too_cold):
            raise BadAnswer(
                f"the meter reads {show_quantity(value, unit)}: implausible",
                where=self.link.where,
                expected="a temperature above absolute zero" if is_too_cold else f"at most {show_quantity(most, unit)}",
            )
        return value


def meter_assignments(setup: MeterSetup, profile: Profile) -> Iterable[Assignment]:
    """The values in the order in which they are sent.

    Raises
    ------
    Misuse : no such quantity, or a range of temperatures.
    """
    if setup.quantity not in METER_UNITS:
        raise Misuse(f"no meter measures `{setup.quantity}`", expected=f"one of {', '.join(METER_UNITS)}")
    if setup.quantity == TEMPERATURE and setup.range is not None:
        raise Misuse("a range of temperatures", expected="none: a meter has one range for each sensor")
    yield Assignment("quantity", setup.quantity)
    if setup.quantity == TEMPERATURE:
        if profile.can_set("temperature.unit"):
            yield Assignment("temperature.unit", CELSIUS)
    elif setup.range is not None:
        yield Assignment("range", setup.range)
    elif profile.can_set("range.auto"):
        yield Assignment("range.auto", True)
    if setup.cycles is not None:
        yield Assignment("cycles", setup.cycles)


def meter_messages(profile: Profile, setup: MeterSetup) -> tuple[str, ...]:
    """What configuring and one reading send, in order, for the plan."""
    assignments = list(meter_assignments(setup, profile))
    values: dict[str, object] = {}
    for assignment in assignments:
        profile.remember(assignment, values)
    return (*profile.messages_for(assignments), *profile.queries("reading", values=values))
