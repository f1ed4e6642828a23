"""What the bench does to the board over time: supply's output, source's signal, connected probes."""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from typing import Generic, TypeVar

T = TypeVar("T")


class History(Generic[T]):
    """What held from when on: states with the moment each of them began."""

    def __init__(self, first: T) -> None:
        self._moments: list[float] = [float("-inf")]
        self._states: list[T] = [first]

    def become(self, moment: float, state: T) -> None:
        """From `moment` on `state` holds; what was planned for then or later is off."""
        keep = max(1, bisect.bisect_left(self._moments, moment))
        del self._moments[keep:], self._states[keep:]
        if state != self._states[-1]:
            self._moments.append(moment)
            self._states.append(state)

    def at(self, moment: float) -> T:
        """The state at a moment."""
        return self._states[bisect.bisect_right(self._moments, moment) - 1]

    def since(self, moment: float) -> list[tuple[float, T]]:
        """The state at a moment and all that came later, each with its beginning."""
        first = bisect.bisect_right(self._moments, moment) - 1
        return list(zip(self._moments[first:], self._states[first:], strict=True))


@dataclass(frozen=True, slots=True)
class Feed:
    """What the supply's terminals offer. `is_standby`: the fixture's own feed is through, since nobody switched yet."""

    voltage: float = 0.0
    current_limit: float = 0.0
    is_on: bool = False
    is_standby: bool = True


@dataclass(frozen=True, slots=True)
class SourceSignal:
    """What the source's terminal offers. `begins`: the moment a period starts at, s. `function` as SCPI writes it."""

    function: str = "SIN"
    frequency: float = 1e3
    low: float = 0.0
    high: float = 0.0
    duty_factor: float = 0.5
    begins: float = 0.0
    is_on: bool = False
    samples: tuple[float, ...] = ()  # one period of an arbitrary signal, heights 0 … 1


@dataclass(frozen=True, slots=True)
class Load:
    """What is connected to a node: resistance to ground in ohm (infinite: nothing), capacitance in F."""

    resistance: float = float("inf")
    capacitance: float = 0.0

    def beside(self, other: Load) -> Load:
        """Two loads on one node."""
        conductance = 1.0 / self.resistance + 1.0 / other.resistance
        resistance = 1.0 / conductance if conductance else float("inf")
        return Load(resistance, self.capacitance + other.capacitance)

    def share(self, source_resistance: float) -> float:
        """The part of an open-circuit voltage that a source of this resistance still delivers."""
        return 1.0 if self.resistance == float("inf") else self.resistance / (self.resistance + source_resistance)

    def parallel(self, source_resistance: float) -> float:
        """Source and load resistance in parallel, ohm."""
        return source_resistance * self.share(source_resistance)


UNLOADED = Load()


class Surroundings:
    """Everything outside the board that its nodes depend on."""

    def __init__(self) -> None:
        self.feed: History[Feed] = History(Feed())
        self.signal: History[SourceSignal] = History(SourceSignal())
