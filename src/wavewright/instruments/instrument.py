"""What the roles have in common: a known state, settings in groups, read back, ceilings that nothing gets past."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar

from wavewright.errors import BadAnswer, BenchFault, FileFault, SetOtherwise
from wavewright.instruments.deviations import decisive, is_same
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

    def __init__(self, link: Link, profile: Profile, *, ceilings: Mapping[str, float] | None = None) -> None:
        if profile.role is not self.role:
            raise FileFault(
                f"profile `{profile.name}` is for a {profile.role}", where=link.name, expected=f"one for a {self.role}"
            )
        self.link, self.profile = link, profile
        self.ceilings: Mapping[str, float] = MappingProxyType(dict(ceilings or {}))
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
        self._written.clear()
        for message in self.known_state_messages(self.profile):
            self.link.write(message)
        self.link.status.check_errors("bringing it to a known state")
        self.link.status.watch_restarts()

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
        self.check_errors(doing)
        return self.read_back(group)

    def read_back(self, assignments: Iterable[Assignment]) -> Settings:
        """What the instrument says it uses, by name, of those things that can be asked for.

        What differs from what was set is asked a second time: a damaged answer differs only once.

        Raises
        ------
        BadAnswer : something else than a finite number for a number, or two answers to the same query.
        """
        found: dict[str, float | str | bool] = {}
        for one in assignments:
            if not self.profile.can_ask(one.setting):
                continue
            used = self.get_finite(one.setting, input=one.input)
            if not is_same(one.value, used, tolerance=PRINTED):
                again = self.get_finite(one.setting, input=one.input)
                if again not in (used, one.value) and not is_same(one.value, again):
                    raise BadAnswer(
                        f"`{one.name}` is {used}, and on a second query {again}",
                        where=self.link.where,
                        expected="one answer",
                    )
                used = again
            found[one.name] = used
        return found

    def get_finite(self, setting: str, *, input: int | None = None) -> float | str | bool:
        """As `get`; 9.9E37 and 9.91E37, which stand for overload and for no value, are not settings.

        Raises
        ------
        BadAnswer : the setting is one of them, twice.
        """

        def finite(value: float | str | bool) -> float | str | bool:
            if isinstance(value, float) and not math.isfinite(value):
                raise BadAnswer(f"`{setting}` is {value}, according to its answer", expected="a number")
            return value

        return self._get(setting, finite, input=input)

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
        *before, query = self.profile.queries(setting, input=input, values=self._written)
        for message in before:
            self.link.write(message)
        return self.link.ask_as(
            lambda answer: checked(self.profile.read(setting, answer, input=input, values=self._written)),
            query,
            timeout=timeout,
            repeatable=timeout is None and self.profile.grammar.quirks.repeats_queries,
        )

    def _assign(self, assignments: list[Assignment]) -> None:
        self.check_ceilings(assignments)
        for assignment in assignments:
            for message in self.profile.messages(
                assignment.setting, assignment.value, input=assignment.input, values=self._written
            ):
                self.link.write(message)
            self.profile.remember(assignment, self._written)
