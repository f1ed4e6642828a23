"""The table of functions that expressions may call: what each takes, what unit it gives, how it is computed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from wavewright.analysis.expressions.dimensions import Dimension, dimension_of
from wavewright.analysis.signals.signals import Signal
from wavewright.registry import Registry

Operand = Signal | float
SAME = "same"  # a parameter with the unit of the first one
ANY = "any"


@dataclass(frozen=True, slots=True)
class Taken:
    """One parameter of a function.

    Parameters
    ----------
    name : for the manual and for messages.
    unit : the unit that it must have, `any`, or `same` (as the first).
    is_channel : False for settings, which must be constants: a cut-off, a span.
    default : of a setting that may be left out.
    """

    name: str
    unit: str = ANY
    is_channel: bool = True
    default: float | None = None


@dataclass(frozen=True, slots=True)
class Function:
    """One entry: `result` gives the dimension from those of the arguments, `build` the values.

    `repeats` says that the last parameter may come any number of times.
    """

    name: str
    takes: tuple[Taken, ...]
    result: Callable[[Dimension], Dimension]
    build: Callable[..., Operand]
    definition: str
    repeats: bool = False

    @property
    def signature(self) -> str:
        """As one writes it: `low_pass(x, cutoff, order = 2)`."""
        words = [p.name if p.default is None else f"{p.name} = {p.default:g}" for p in self.takes]
        return f"{self.name}({', '.join(words)}{', …' if self.repeats else ''})"

    @property
    def fewest(self) -> int:
        """How many arguments there must be."""
        return sum(parameter.default is None for parameter in self.takes)

    def parameter(self, position: int) -> Taken:
        """What the argument at a position, from 0, must be."""
        return self.takes[min(position, len(self.takes) - 1)]


FUNCTIONS: Registry[Function] = Registry(
    "function", package="wavewright.analysis.expressions.library", group="wavewright.expression_functions"
)


def expression_function(
    *takes: Taken, result: Callable[[Dimension], Dimension] = lambda first: first, repeats: bool = False
) -> Callable[[Callable[..., Operand]], Callable[..., Operand]]:
    """Enter the decorated function under its own name; its first line of documentation is the definition."""

    def enter(build: Callable[..., Operand]) -> Callable[..., Operand]:
        name = build.__name__
        definition = (build.__doc__ or "").strip().split("\n")[0]
        entry = Function(name, takes, result, build, definition, repeats)
        FUNCTIONS.enter(name, entry, made_in=build.__module__)
        return build

    return enter


def expression_functions() -> Mapping[str, Function]:
    """Every function by name: the modules of the library beside this one, then what other packages bring."""
    return FUNCTIONS.everything()


def needed_dimension(parameter: Taken, first: Dimension) -> Dimension | None:
    """The dimension that an argument must have; None where any will do."""
    if parameter.unit == ANY:
        return None
    return first if parameter.unit == SAME else dimension_of(parameter.unit)
