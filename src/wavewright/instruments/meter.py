"""The role `meter`: one number at a time, of voltage, current or resistance."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import ClassVar

from wavewright.errors import Misuse, NotMeasurable
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.setups import MeterSetup
from wavewright.instruments.vocabulary import METER_UNITS, Role


class Meter(Instrument):
    """A digital meter."""

    role: ClassVar[Role] = Role.METER

    def configure(self, setup: MeterSetup) -> Settings:
        """Choose quantity, range and aperture, and read back what the meter uses.

        Raises
        ------
        Misuse : the profile has no such quantity.
        Complaint, NoAnswer, BadAnswer, LinkLost
        """
        return self.apply(meter_assignments(setup, self.profile), doing=f"choosing {setup.quantity}")

    def read(self) -> float:
        """One reading in the unit of the quantity (`METER_UNITS`).

        Raises
        ------
        NotMeasurable : overload, or the meter says that it has no value.
        Complaint, NoAnswer, BadAnswer, LinkLost
        """
        value = float(self.get("reading", timeout=self.profile.grammar.quirks.record_timeout))
        if not math.isfinite(value):
            raise NotMeasurable(
                "the meter has no value" if math.isnan(value) else "the meter is overloaded",
                where=self.link.where,
                expected="a magnitude within its range",
                do="take a higher range, or none, so that it finds its own",
            )
        return value

    def measure(self, setup: MeterSetup) -> float:
        """Configure, then one reading."""
        self.configure(setup)
        return self.read()


def meter_assignments(setup: MeterSetup, profile: Profile) -> Iterable[Assignment]:
    """The values in the order in which they are sent.

    Raises
    ------
    Misuse : no such quantity.
    """
    if setup.quantity not in METER_UNITS:
        raise Misuse(f"no meter measures `{setup.quantity}`", expected=f"one of {', '.join(METER_UNITS)}")
    yield Assignment("quantity", setup.quantity)
    if setup.range is not None:
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
    return (*profile.messages_for(assignments), *profile.questions("reading", values=values))
