"""A voltage that a formula of time gives."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from wavewright.errors import Misuse
from wavewright.grammar.located_yaml import place_of
from wavewright.grammar.quantity_fields import Seconds
from wavewright.grammar.word_fields import LocatedText
from wavewright.nearest import did_you_mean
from wavewright.simulation.circuit.drivers import DrivenEntry, Driver
from wavewright.simulation.circuit.motion import Floats, Motion, polyline
from wavewright.simulation.circuit.nodes import NodeContext, NodeEntry, node_kind
from wavewright.simulation.circuit.surroundings import Load

MOST_POINTS = 1_000_000
PROBED = 10_001  # points at which the extremes and the mean are looked for
DEEPEST = 50  # of one expression inside the other
OPERATORS: Mapping[type[ast.AST], Callable[..., Any]] = MappingProxyType(
    {
        ast.Add: operator.add,
        ast.Sub: operator.sub,
        ast.Mult: operator.mul,
        ast.Div: operator.truediv,
        ast.Mod: np.mod,
        ast.Pow: np.power,
        ast.USub: operator.neg,
        ast.UAdd: operator.pos,
        ast.Lt: operator.lt,
        ast.LtE: operator.le,
        ast.Gt: operator.gt,
        ast.GtE: operator.ge,
    }
)
FUNCTIONS: Mapping[str, Callable[..., Any]] = MappingProxyType(
    {
        "sin": np.sin,
        "cos": np.cos,
        "exp": np.exp,
        "log": np.log,
        "sqrt": np.sqrt,
        "abs": np.abs,
        "sign": np.sign,
        "floor": np.floor,
        "tanh": np.tanh,
        "min": np.minimum,
        "max": np.maximum,
    }
)
CONSTANTS: Mapping[str, float] = MappingProxyType({"pi": math.pi})


class FormulaEntry(DrivenEntry):
    """A formula of time."""

    volts: LocatedText = Field(
        description="the voltage in V over the time `t` in s; + - * / % **, comparisons (1 where they hold), pi, and "
        "abs, cos, exp, floor, log, max, min, sign, sin, sqrt, tanh",
        examples=["1.65 + 0.5 * sin(2 * pi * 1000 * t) * exp(-(t % 0.01) / 0.002)"],
    )
    step: Seconds = Field(
        description="time between two points; straight lines are drawn between them", examples=["1 us"]
    )
    every: Seconds | None = Field(
        default=None, description="`t` begins at 0 again after that time; it runs on if left out", examples=["10 ms"]
    )


@node_kind("formula")
class Formula:
    """A voltage that a formula of time gives, in straight lines from point to point."""

    entry: ClassVar[type[NodeEntry]] = FormulaEntry

    def __init__(self, making: NodeContext[FormulaEntry]) -> None:
        entry = making.entry
        self._step, self._every = entry.step, entry.every
        if not entry.step > 0:
            raise Misuse("a formula without a step", expected="a time above 0 between its points")
        self._compute = compiled(str(entry.volts), where=str(place_of(entry.volts) or ""))
        self._driver = Driver(making)
        times = np.linspace(0.0, self._every or PROBED * self._step, PROBED)
        with np.errstate(all="ignore"):
            self._seen = self._volts(times)
        if not np.isfinite(self._seen).all():
            at = float(times[~np.isfinite(self._seen)][0])
            raise Misuse(
                f"`{entry.volts}` has no value at t = {at:g} s", where=place_of(entry.volts) or "", expected="a voltage"
            )

    def _volts(self, times: Floats) -> Floats:
        local = times if self._every is None else np.mod(times, self._every)
        return np.broadcast_to(np.asarray(self._compute(local), dtype=np.float64), times.shape)

    def motion(self, start: float, end: float, load: Load, memory: float = 0.0) -> Motion:
        """The points of the formula; of a record with too many of them only the last are drawn."""
        first = math.floor((start - memory) / self._step) - 1
        last = math.ceil(end / self._step) + 2
        times: Floats = np.arange(max(first, last - MOST_POINTS), last, dtype=np.float64) * self._step
        with np.errstate(all="ignore"):
            volts = np.nan_to_num(self._volts(times))
        return self._driver.motion(polyline(times, volts), start, load)

    def reach(self, start: float, end: float) -> tuple[float, float]:
        """What was seen of it, with a tenth of room, and 0 V without power."""
        del start, end
        low, high = float(self._seen.min()), float(self._seen.max())
        room = 0.1 * (high - low)
        return min(0.0, low - room), max(0.0, high + room)

    def truth(self) -> Mapping[str, float]:
        """Of a formula that repeats itself, the mean of its points."""
        return {} if self._every is None else {"mean": float(self._seen[:-1].mean())}

    def quiet_until(self, moment: float) -> float:
        """Never quiet while it is powered."""
        return self._driver.quiet_until(moment)


def compiled(text: str, *, where: str = "") -> Callable[[Floats], Any]:
    """A function of time out of the text of a formula; nothing else than the arithmetic listed can be said in it.

    Raises
    ------
    Misuse : it is not a formula; names what is wrong, and the nearest word.
    """
    try:
        tree = ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError) as fault:
        raise Misuse(
            f"`{text}` is not a formula", where=where, expected="such as `1.65 + sin(2 * pi * 1000 * t)`"
        ) from fault
    return _function(tree, where, 0)


def _function(node: ast.AST, where: str, depth: int) -> Callable[[Floats], Any]:
    if depth > DEEPEST:
        raise Misuse("a formula that is nested too deeply", where=where, expected=f"at most {DEEPEST} levels")

    def inner(child: ast.AST) -> Callable[[Floats], Any]:
        return _function(child, where, depth + 1)

    match node:
        case ast.Constant(value=bool()) | ast.Constant(value=complex()):
            pass
        case ast.Constant(value=int() | float() as number):
            return lambda t: float(number)
        case ast.Name(id="t"):
            return lambda t: t
        case ast.Name(id=name):
            if name in CONSTANTS:
                return lambda t: CONSTANTS[name]
            known = ["t", *CONSTANTS, *FUNCTIONS]
            raise Misuse(f"unknown name `{name}` in a formula", where=where, do=did_you_mean(name, known))
        case ast.UnaryOp(op=op, operand=operand) if type(op) in OPERATORS:
            apply, only = OPERATORS[type(op)], inner(operand)
            return lambda t: apply(only(t))
        case ast.BinOp(left=left, op=op, right=right) if type(op) in OPERATORS:
            apply, first, second = OPERATORS[type(op)], inner(left), inner(right)
            return lambda t: apply(first(t), second(t))
        case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in OPERATORS:
            apply, first, second = OPERATORS[type(op)], inner(left), inner(right)
            return lambda t: np.asarray(apply(first(t), second(t)), dtype=np.float64)
        case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]):
            if name not in FUNCTIONS:
                raise Misuse(f"unknown function `{name}`", where=where, do=did_you_mean(name, FUNCTIONS))
            wanted = 2 if name in ("min", "max") else 1
            if len(arguments) != wanted:
                raise Misuse(f"`{name}` with {len(arguments)} values", where=where, expected=f"{wanted}")
            call, parts = FUNCTIONS[name], [inner(one) for one in arguments]
            return lambda t: call(*(part(t) for part in parts))
        case _:
            pass
    raise Misuse(
        f"`{ast.unparse(node)}` in a formula",
        where=where,
        expected="numbers, `t`, pi, + - * / % **, comparisons and the functions that `wavewright help formula` lists",
    )
