"""Numbers in derived channels, such as the resistance of a shunt: errors of their own beside those of the inputs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from wavewright.analysis.expressions.derive import Expression, parse_expression
from wavewright.analysis.expressions.syntax import Constant
from wavewright.analysis.record.found_once import computed_once
from wavewright.analysis.uncertainty.affine import NumberShift
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.influences import Direction, Influence, Influences, Unstated, Way
from wavewright.recipe.derived import Derived

PROBED = 1e-2  # of a number without a tolerance: a step that shows whether a reading depends on it
TOLERANCE = "its tolerance in `derived:`"


@dataclass(frozen=True)
class NumbersOfChannel:
    """The numbers that one derived channel is computed with.

    Parameters
    ----------
    measurement : label of the measurement; a number in another one is another number.
    """

    measurement: str
    derived: Derived

    @computed_once
    def expression(self) -> Expression:
        """The expression as it was read."""
        return parse_expression(self.derived.expression)

    @computed_once
    def named(self) -> Mapping[str, Constant]:
        """The numbers that may be in error, by a name that no channel has."""
        found = [one for one in self.expression.operands if one.tolerance or _lacks_tolerance(one)]
        return {f"{one.text} in {self.derived.name}, column {one.column}": one for one in found}

    def shifted(self, changes: Mapping[str, object]) -> Expression:
        """The expression with some of its numbers changed."""
        values = {
            self.named[name].column: self.named[name].value + change.amount
            for name, change in changes.items()
            if name in self.named and isinstance(change, NumberShift)
        }
        return self.expression.with_constants(values) if values else self.expression

    def influences(self) -> Iterator[Influence]:
        """The numbers that have a tolerance. Whether two that read alike are one thing, an expression does not say."""
        for name, one in self.named.items():
            if one.tolerance:
                along = Direction(Way.NUMBER, (name,))
                yield Influence(
                    f"`{one.text}` in `{self.derived.name}`",
                    f"{self.measurement}.{self.derived.name}:{one.column}",
                    ((along, one.tolerance / math.sqrt(3)),),
                    Distribution.RECTANGULAR,
                    TOLERANCE,
                    alike=one.text,
                )

    def unstated(self) -> Iterator[Unstated]:
        """Those with a unit and without a tolerance; `± 0 %` says that one is exact."""
        for name, one in self.named.items():
            if not one.tolerance:
                step = PROBED * abs(one.value) or PROBED
                yield Unstated(
                    Direction(Way.NUMBER, (name,)), step, f"tolerance of `{one.text}` in `{self.derived.name}`"
                )


def number_influences(channels: Sequence[NumbersOfChannel]) -> Influences:
    """Of several derived channels."""
    return Influences(
        tuple(each for one in channels for each in one.influences()),
        tuple(each for one in channels for each in one.unstated()),
    )


def _lacks_tolerance(one: Constant) -> bool:
    """A number with a unit is something that was built or measured; one without is arithmetic, as the 2 in `a / 2`."""
    return one.tolerance is None and not one.dimension.is_ratio
