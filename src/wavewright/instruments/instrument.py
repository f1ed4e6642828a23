"""What the roles have in common: a known state, settings in groups, read back, ceilings that nothing gets past."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, cast

from wavewright.errors import BadAnswer, BenchFault, FileFault, NoAnswer, SetOtherwise
from wavewright.instruments.compound_query import QueryUnit
from wavewright.instruments.deviations import decisive, is_same, shown
from wavewright.instruments.profile import Assignment, Profile
from wavewright.quantities import show_quantity

if TYPE_CHECKING:
    from wavewright.instruments.link import Link
    from wavewright.instruments.setting import Value
    from wavewright.instruments.vocabulary import Role

Settings = Mapping[str, float | str | bool]
PRINTED = 1e-6  # relative; an answer nearer to what was set than its seventh digit is not another one
_ROUNDING = 1e-9  # relative; a ceiling of 24 V does not forbid 24.000000000000004 V


class Instrument:
    """One instrument on the bench, spoken to as its profile says.

    Parameters
    ----------
    ceilings : by name of the quantity (`voltage`, `current`, …), SI. Checked before anything is sent.
    """

    role: ClassVar[Role]
    ceiling_of: ClassVar[Mapping[str, str]] = MappingProxyType({})  # setting -> name of its ceiling
    has_output: ClassVar[bool] = False
    often_rounded: ClassVar[tuple[str, ...]] = ()  # settings that are asked for twice, where that fits into the message
    settings_interact: ClassVar[bool] = False  # setting one thing may change what was read back of another

    def __init__(self, link: Link, profile: Profile, *, ceilings: Mapping[str, float] | None = None) -> None:
        if profile.role is not self.role:
            raise FileFault(
                f"profile `{profile.name}` is for a {profile.role}", where=link.name, expected=f"one for a {self.role}"
            )
        self.link, self.profile = link, profile
        self.ceilings: Mapping[str, float] = MappingProxyType(dict(ceilings or {}))
        self._known: dict[str, Assignment] = {}  # what was read back of the last group, by name
        self._rounded: set[tuple[str, Value, Value]] = set()  # setting, value set, and what two answers say of it
        self._written: dict[str, object] = {}  # settings as they are on the wire, for messages that mention them

    @property
    def identity(self) -> str:
        """The answer to `*IDN?`, as it came when the link was opened."""
        return self.link.identity

    @property
    def written(self) -> Mapping[str, object]:
        """Settings as they are on the wire, for messages that mention them."""
        return MappingProxyType(self._written)

    def reset(self) -> None:
        """Known state: reset, status cleared, error queue empty, and what the profile prepares.

        Raises
        ------
        Complaint : the error queue is not empty afterwards.
        """
        self._reset_and_ask(())

    def _reset_and_ask(self, beside: Sequence[str]) -> list[float | str | bool] | None:
        """As `reset`; returns the values of settings where they came with the status, in one message."""
        self._written.clear()
        for message in self.known_state_messages(self.profile):
            self.link.write(message)
        self._known.clear()
        repeatable = self.profile.grammar.quirks.repeats_queries
        asked = [self._unit(one, _finite(one), None) for one in beside if repeatable]
        return self.link.status.watch_restarts(asked)

    @classmethod
    def known_state_messages(cls, profile: Profile) -> tuple[str, ...]:
        """What `reset` sends, for the plan."""
        return (*profile.grammar.reset, *profile.grammar.prepare)

    def set(self, setting: str, value: Value, *, input: int | None = None) -> None:
        """Set one thing, and nothing else; the error queue is left for `check_errors`.

        Raises
        ------
        BenchFault : above a ceiling.
        Misuse : the profile cannot say it.
        """
        self._assign([Assignment(setting, value, input)])

    def get(self, setting: str, *, input: int | None = None, timeout: float | None = None) -> float | str | bool:
        """Ask for one thing.

        Raises
        ------
        Misuse : the profile does not say how.
        BadAnswer, NoAnswer, LinkLost
        """
        return self._get(setting, lambda value: value, input=input, timeout=timeout)

    def apply(self, assignments: Iterable[Assignment], *, doing: str) -> Settings:
        """Set a group of things, see that the instrument does not complain, and read back what it really uses.

        Raises
        ------
        BenchFault : one of them is above a ceiling; nothing has been sent.
        Complaint : the error queue was not empty afterwards.
        """
        group = list(assignments)
        self._assign(group)
        if not group:
            return {}
        used = self.read_back(group, doing=doing)
        if self.settings_interact:
            self._known = {name: one for name, one in self._known.items() if name == "output"}
        self._known |= {one.name: replace(one, value=used[one.name]) for one in group if one.name in used}
        return used

    def read_back(
        self,
        assignments: Iterable[Assignment],
        *,
        doing: str = "",
        signs: Sequence[QueryUnit] | None = None,
        first: Sequence[QueryUnit] = (),
        timeout: float | None = None,
        sets_up: bool = False,
    ) -> Settings:
        """What the instrument says it uses, by name, of those things that can be asked for.

        What differs from what was set is asked a second time, but for a rounding that two answers have shown before: a
        damaged answer differs only once. It is asked on its own until answers to several queries have been seen to
        come in their order.

        Parameters
        ----------
        doing : see as well, in the same messages, that the instrument does not complain of this; not if empty.
        signs : how that is seen; by what goes with a set-up if None.
        first : queries that the message begins with.
        timeout : s, for each message; the instrument's usual patience if None.
        sets_up : what instruments often round is asked for twice at once, where that costs no message more.

        Raises
        ------
        BadAnswer : something else than a finite number for a number, or two answers to the same query.
        Complaint : it complains of what was done.
        """
        group = [one for one in assignments if self.profile.can_ask(one.setting)]
        twice = [one for one in group if one.setting in self.often_rounded] if sets_up and self.link.keeps_order else []
        answers = self._ask_all([*group, *twice], doing=doing, signs=signs, first=first, timeout=timeout)
        found = {one.name: used for one, used in zip(group, answers, strict=False)}
        second = {one.name: used for one, used in zip(twice, answers[len(group) :], strict=True)}
        other = [one for one in group if not is_same(one.value, found[one.name], tolerance=PRINTED)]
        if self.link.was_one_message and not other:
            self.link.keeps_order |= len(set(map(str, answers))) > 1
        said = {one.name: (one.name, one.value, found[one.name]) for one in other}
        self._rounded |= {said[name] for name in said if second.get(name) == found[name]}
        doubtful = [one for one in other if said[one.name] not in self._rounded]
        for one, again in zip(doubtful, self._ask_all(doubtful, together=self.link.keeps_order), strict=True):
            used = found[one.name]
            if again not in (used, one.value, second.get(one.name)) and not is_same(one.value, again):
                raise BadAnswer(
                    f"`{one.name}` is {used}, and on a second query {again}",
                    where=self.link.where,
                    expected="one answer",
                )
            if again == used:
                self._rounded.add((one.name, one.value, used))
            found[one.name] = again
        return found

    def check_unchanged(
        self, doing: str, *, only: Sequence[str] | None = None, signs: Sequence[QueryUnit] | None = None
    ) -> None:
        """See that what was read back of the last group still holds, that there are no errors, and no restart.

        Parameters
        ----------
        only : these settings of it; all of them if None.
        signs : how errors are seen; by the error queue itself if None.

        Raises
        ------
        SetOtherwise : a setting is another one; names every such setting.
        Complaint : an error, or a restart.
        BadAnswer, NoAnswer, LinkLost
        """
        known = [one for one in self._known.values() if only is None or one.setting in only]
        now = self.read_back(known, doing=doing, signs=self.link.status.thorough_units if signs is None else signs)
        changed = [one for one in known if not is_same(one.value, now[one.name], tolerance=PRINTED)]
        changed = [one for one in changed if not self._has_a_reason(one)]
        if changed:
            old = cast("Settings", {one.name: one.value for one in changed})
            before, after = self._as_told(old), self._as_told(now)
            units = {one.name: self.profile.entry(one.setting).unit for one in changed}
            raise SetOtherwise(
                f"{doing}: "
                + "; ".join(
                    f"{name} was {shown(before[name], unit)} and is {shown(after[name], unit)} now"
                    for name, unit in units.items()
                ),
                where=self.link.where,
                expected="the settings that were read back before",
                do="see who or what has changed them, then measure again",
            )

    def note_output(self, state: Assignment | None) -> None:
        """Remember that the output is on, or off, or, with None, that nothing is known of it."""
        self._known.pop("output", None)
        if state is not None and self.profile.can_ask(state.setting):
            self._known[state.name] = state

    def get_together(self, settings: Sequence[str], *, after: Sequence[QueryUnit] = ()) -> list[float | str | bool]:
        """As `get_finite`, of several settings in as few messages as possible; `after` ends them."""
        units = [self._unit(one, _finite(one), None) for one in settings]
        may_repeat = self.profile.grammar.quirks.repeats_queries
        return self.link.ask_each([*units, *after], repeatable=may_repeat)[: len(units)]

    def _as_told(self, settings: Settings) -> Settings:
        """Settings as messages have them."""
        return settings

    def _has_a_reason(self, changed: Assignment) -> bool:
        """Whether a setting may be another now: an output whose protection has tripped is off."""
        return False

    def _ask_all(
        self,
        group: Sequence[Assignment],
        *,
        doing: str = "",
        signs: Sequence[QueryUnit] | None = None,
        first: Sequence[QueryUnit] = (),
        timeout: float | None = None,
        together: bool = True,
    ) -> list[Any]:
        """The values of settings; the rest as in `read_back`."""
        status, units = self.link.status, [self._unit(one.setting, _finite(one.setting), one.input) for one in group]
        asked: Sequence[QueryUnit] = ()
        if doing:
            asked = status.set_up_units if signs is None else signs
        repeatable = self.profile.grammar.quirks.repeats_queries
        try:
            if asked and not self.link.takes_several:  # errors come first: a query after them may be worse
                self.link.ask_each(asked)
                status.complain(doing)
                asked = ()
            values = self.link.ask_each(
                [*first, *units, *asked], timeout=timeout, repeatable=repeatable, together=together
            )
        except (BadAnswer, NoAnswer):
            if doing:
                status.complain(doing)  # then that is why
            raise
        if doing:
            status.complain(doing)
        return values[len(first) : len(first) + len(units)]

    def get_finite(self, setting: str, *, input: int | None = None) -> float | str | bool:
        """As `get`; 9.9E37 and 9.91E37, which stand for overload and for no value, are not settings.

        Raises
        ------
        BadAnswer : the setting is one of them, twice.
        """

        return self._get(setting, _finite(setting), input=input)

    def get_surely(self, setting: str) -> float:
        """As `get_finite`, asked twice: for a level that decides whether an output goes on.

        One answer that is late, cut short or damaged can look like a level that is allowed; two alike cannot.

        Raises
        ------
        BadAnswer : the two differ, or are not numbers.
        """
        first, second = (float(self.get_finite(setting)) for _ in range(2))
        if first != second:
            raise BadAnswer(
                f"`{setting}` is {first:g}, and on a second query {second:g}",
                where=self.link.where,
                expected="one answer",
            )
        return second

    def check_as_requested(self, assignments: Iterable[Assignment], used: Settings) -> None:
        """See that what was read back is what was requested, as far as it may change a verdict (`deviations`).

        Raises
        ------
        SetOtherwise : it is not; names every such setting.
        """
        if found := list(decisive(assignments, used, self.profile)):
            fault = SetOtherwise(
                "; ".join(map(str, found)),
                where=self.link.where,
                expected="what was requested, within the accuracy that the profile states",
                do="request a value that the instrument has, or correct its profile",
            )
            fault.used = dict(used)  # a plain one: what cannot be pickled would break worker processes
            raise fault

    def check_errors(self, doing: str) -> None:
        """Empty the error queue.

        Raises
        ------
        Complaint : it was not empty.
        """
        self.link.status.check_errors(doing)

    def check_ceilings(self, assignments: Iterable[Assignment]) -> None:
        """Compare a group with the ceilings of the bench file, without sending anything.

        Raises
        ------
        BenchFault : one of them is above.
        """
        for assignment in assignments:
            quantity = self.ceiling_of.get(assignment.setting, "")
            if quantity and isinstance(assignment.value, int | float):
                self.refuse_above(quantity, float(assignment.value), assignment.setting)

    def refuse_above(self, quantity: str, value: float, what: str) -> None:
        """The comparison itself: magnitudes, so that a negative voltage does not get around it.

        Raises
        ------
        BenchFault : above, or not a number.
        """
        ceiling = self.ceilings.get(quantity)
        if ceiling is None or abs(value) <= ceiling * (1 + _ROUNDING):
            return
        unit = self.profile.entry(what).unit
        raise BenchFault(
            f"`{what}` of {show_quantity(value, unit)} is above the ceiling of {self.link.name}",
            where=self.link.where,
            expected=f"at most {show_quantity(ceiling, unit)}",
            do="nothing was sent; raise `ceilings` in the bench file only if board and wiring can take it",
        )

    def switch_off_at_once(self) -> None:
        """Send what switches the outputs off, without waiting for anything; `safe_state` confirms it. Never raises."""

    def safe_state(self) -> None:
        """Outputs off, and confirmed; nothing to do where there is none."""

    def close(self) -> None:
        """Let go of the link; never raises."""
        self.link.close()

    def _get(
        self,
        setting: str,
        checked: Callable[[float | str | bool], float | str | bool],
        *,
        input: int | None,
        timeout: float | None = None,
    ) -> float | str | bool:
        unit = self._unit(setting, checked, input)
        repeatable = timeout is None and self.profile.grammar.quirks.repeats_queries
        (value,) = self.link.ask_each([unit], timeout=timeout, repeatable=repeatable)
        return cast("float | str | bool", value)

    def _unit(
        self, setting: str, checked: Callable[[float | str | bool], float | str | bool], input: int | None
    ) -> QueryUnit:
        *before, query = self.profile.queries(setting, input=input, values=self._written)
        return QueryUnit(
            query,
            lambda answer: checked(self.profile.read(setting, answer, input=input, values=self._written)),
            before=tuple(before),
        )

    def _assign(self, assignments: list[Assignment]) -> None:
        self.check_ceilings(assignments)
        for assignment in assignments:
            for message in self.profile.messages(
                assignment.setting, assignment.value, input=assignment.input, values=self._written
            ):
                self.link.write(message)
            self.profile.remember(assignment, self._written)


def _finite(setting: str) -> Callable[[float | str | bool], float | str | bool]:
    """Lets a value of a setting pass that is not overload or no value; BadAnswer for those."""

    def checked(value: float | str | bool) -> float | str | bool:
        if isinstance(value, float) and not math.isfinite(value):
            raise BadAnswer(f"`{setting}` is {value}, according to its answer", expected="a number")
        return value

    return checked
