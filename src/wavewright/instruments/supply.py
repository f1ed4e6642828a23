"""The role `supply`: DC with a current limit. Off first, limits before the voltage, on last."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar

from wavewright.errors import BadAnswer, BenchFault, NotMeasurable, SetOtherwise
from wavewright.instruments.instrument import Instrument, Settings
from wavewright.instruments.output_switch import OutputSwitch
from wavewright.instruments.profile import Assignment, Profile
from wavewright.instruments.vocabulary import Role
from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.instruments.compound_query import QueryUnit
    from wavewright.instruments.link import Link
    from wavewright.instruments.setups import SupplySetup

_TRIPPED = {f"protection.{quantity}_tripped": quantity for quantity in ("voltage", "current")}


class Supply(Instrument):
    """A DC supply with one output."""

    role: ClassVar[Role] = Role.SUPPLY
    has_output: ClassVar[bool] = True
    ceiling_of: ClassVar[Mapping[str, str]] = MappingProxyType(
        {"voltage": "voltage", "current_limit": "current", "current_protection": "current"}
    )

    def __init__(self, link: Link, profile: Profile, *, ceilings: Mapping[str, float] | None = None) -> None:
        super().__init__(link, profile, ceilings=ceilings)
        self._output = OutputSwitch(self)
        self._may_trip: dict[str, bool] = {}  # by the quantity of each protection that was set since the known state

    def reset(self) -> None:
        """Output off and confirmed, before the known state and after it: `*RST` is not taken on trust."""
        self.output_off()
        self._may_trip.clear()
        self._output.confirm_off(self._reset_and_ask(self._output.state))

    def apply_setup(self, setup: SupplySetup) -> Settings:
        """One step, in the safe order: off, protection, current limit, voltage, read back, errors empty, then on.

        Off is confirmed before the levels are sent; where it was already, and nothing was sent since that could switch
        the output on, it is told once more, and confirmed with the levels.

        Returns
        -------
        The settings as read back, `output` among them if the step says anything about it.

        Raises
        ------
        BenchFault : above a ceiling; nothing has been sent.
        SetOtherwise : the supply is set to something else than requested; the output is off.
        Complaint, NoAnswer, BadAnswer, LinkLost : the output is off, or left as it was if the step does not name it.
        OutputMayBeOn : and it could not be confirmed.
        """
        group = list(supply_assignments(setup))
        self.check_ceilings(group)
        off: list[Assignment] = []
        if setup.output is not None and self._output.is_known_off and self.profile.can_ask("output") and group:
            off = [Assignment("output", False)]
        elif setup.output is not None:
            self._output.off(discharged=False)  # the recipe says how long it waits
        used = dict(self.apply([*off, *group], doing="setting the supply"))
        if used.pop("output", False):
            self._output.off(discharged=False)
        self._check_read_back(group, used)
        self._watch_protections(setup)
        if setup.output:
            self._check_before_on(used)
            used["output"] = self._switch_on()
        elif setup.output is not None:
            used["output"] = False
        return used

    def check_unchanged(
        self, doing: str, *, only: Sequence[str] | None = None, signs: Sequence[QueryUnit] | None = None
    ) -> None:
        """As for every instrument; and that no protection has tripped that was set, unless it may."""
        try:
            super().check_unchanged(doing, only=only, signs=signs)
        except SetOtherwise as fault:
            if any(name in fault.what for name in _TRIPPED):
                fault.do = (
                    "look for a short circuit, or a level too near; where the trip is what the recipe tests, say "
                    "`trip: allow` in the step that sets the protection"
                )
            raise

    def check_output(self, doing: str) -> None:
        """See that the output is as it was switched last, and that no protection has tripped that was set."""
        self._output.check_unchanged(doing)

    def output_off(self) -> None:
        """Off, confirmed by asking, and by the voltage at the terminals where the profile can ask for it.

        Raises
        ------
        OutputMayBeOn : it could not be confirmed.
        """
        self._output.off()

    def output_on(self) -> AbstractContextManager[None]:
        """On inside the block; off, and confirmed off, after it."""
        self._check_before_on()
        return self._output.held_on()

    def measured_voltage(self) -> float:
        """At the terminals, V, by the supply's own measurement.

        Raises
        ------
        NotMeasurable : it says that it has no value.
        """
        return self._measured("voltage")

    def measured_current(self) -> float:
        """Of the output, A, by the supply's own measurement; NotMeasurable as above."""
        return self._measured("current")

    def tripped(self) -> tuple[str, ...]:
        """Which protection has switched the output off, `voltage` or `current`, as far as the profile can ask."""
        return tuple(
            quantity for name, quantity in _TRIPPED.items() if self.profile.can_ask(name) and bool(self.get(name))
        )

    def clear_protection(self) -> None:
        """Forget a trip; the output is made off first, since some supplies come back on by it."""
        self.output_off()
        self.set("protection.clear", None)
        self.check_errors("clearing the protection")
        self.output_off()

    def switch_off_at_once(self) -> None:
        """Off, without waiting for anything; not confirmed yet."""
        self._output.send_off()

    def safe_state(self) -> None:
        """Off, and confirmed."""
        self.output_off()

    def _has_a_reason(self, changed: Assignment) -> bool:
        """A protection that may trip has tripped, and the output that was on is off by it: the measurement tells."""
        if changed.name in _TRIPPED:
            return self._may_trip.get(_TRIPPED[changed.name], False)
        was_on = changed.name == "output" and bool(changed.value)
        return was_on and any(self._may_trip.values()) and self._tripped_as_it_may()

    def _tripped_as_it_may(self) -> bool:
        """Whether protections have tripped, and none but those that may."""
        tripped = self.tripped()
        return bool(tripped) and all(self._may_trip.get(quantity, False) for quantity in tripped)

    def _watch_protections(self, setup: SupplySetup) -> None:
        """From now on a trip of what the step has set is seen like a setting that has changed."""
        for name, quantity in _TRIPPED.items():
            if getattr(setup, f"{quantity}_protection") is not None:
                self._may_trip[quantity] = setup.may_trip
                if self.profile.can_ask(name):
                    self._known[name] = Assignment(name, False)

    def _switch_on(self) -> bool:
        """On; False where a protection that may trip does so at once. Of any other that does the error says which."""
        try:
            self._output.on()
        except BadAnswer as fault:
            if any(self._may_trip.values()) and self._tripped_as_it_may():
                return False
            tripped = " and ".join(self.tripped())
            if not tripped:
                raise
            raise BadAnswer(
                f"it was switched on, and its {tripped} protection has tripped",
                where=self.link.where,
                do="look for a short circuit or a wrong level before clearing it",
            ) from fault
        return True

    def _measured(self, quantity: str) -> float:
        value = float(self.get(f"measured.{quantity}"))
        if not math.isfinite(value):
            raise NotMeasurable(
                f"the supply has no value of its {quantity}", where=self.link.where, expected="a number"
            )
        return value

    def _check_before_on(self, known: Settings = MappingProxyType({})) -> None:
        """What the supply would give, whoever set it, against the ceilings; `known` has been checked already."""
        for setting, quantity in (("voltage", "voltage"), ("current_limit", "current")):
            if setting not in known and quantity in self.ceilings and self.profile.can_ask(setting):
                self.refuse_above(quantity, self.get_surely(setting), setting)

    def _check_read_back(self, group: Iterable[Assignment], used: Settings) -> None:
        """A supply that rounds above a ceiling, or is set to something else than requested, is switched off again."""
        try:
            for setting, quantity in self.ceiling_of.items():
                if setting in used:
                    self.refuse_above(quantity, float(used[setting]), setting)
            self.check_as_requested(group, used)
        except (BenchFault, SetOtherwise):
            self.output_off()
            raise


def supply_assignments(setup: SupplySetup) -> Iterable[Assignment]:
    """The values of a step in the order in which they are sent, without the output."""
    for name in ("voltage_protection", "current_protection"):
        if (level := getattr(setup, name)) is not None:
            yield Assignment(name, level)
            yield Assignment(f"{name}.on", True)
    if setup.current_limit is not None:
        yield Assignment("current_limit", setup.current_limit)
    if setup.voltage is not None:
        yield Assignment("voltage", setup.voltage)


def supply_messages(profile: Profile, setup: SupplySetup) -> tuple[str, ...]:
    """What a step sends, in order, for the plan; queries that confirm and read back are left out.

    Raises
    ------
    Misuse : the profile cannot say one of them.
    """
    before = profile.messages("output", False) if setup.output is not None else ()
    after = profile.messages("output", True) if setup.output else ()
    return (*before, *profile.messages_for(supply_assignments(setup)), *after)


def supply_queries(profile: Profile, quantity: str) -> tuple[str, ...]:
    """What asks for the supply's own measurement of its `voltage` or `current`, for the plan.

    Raises
    ------
    Misuse : the profile does not say how.
    """
    return profile.queries(f"measured.{quantity}")


def supply_faults(
    profile: Profile, setup: SupplySetup, *, ceilings: Mapping[str, float] | None = None
) -> tuple[BenchFault, ...]:
    """What this kind of supply, or the bench's ceilings, cannot give of a step."""
    abilities = profile.grammar.abilities
    faults = []
    ceiling = ", the ceiling of the bench"
    for name, value, unit, most, whose in (
        ("voltage", setup.voltage, "V", abilities.voltage, ""),
        ("current_limit", setup.current_limit, "A", abilities.current, ""),
        ("voltage", setup.voltage, "V", (ceilings or {}).get("voltage"), ceiling),
        ("current_limit", setup.current_limit, "A", (ceilings or {}).get("current"), ceiling),
        ("current_protection", setup.current_protection, "A", (ceilings or {}).get("current"), ceiling),
    ):
        if value is not None and most is not None and abs(value) > most:
            expected = f"at most {show_quantity(most, unit)}{whose}"
            faults.append(BenchFault(f"`{name}` of {show_quantity(value, unit)}", expected=expected))
    return tuple(faults)
