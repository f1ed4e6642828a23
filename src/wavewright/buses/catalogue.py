"""The catalogue of buses and of the layers above them: one table that decoding, recipes and printing all read."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from wavewright.analysis.catalogue import Parameter, parameters_of
from wavewright.analysis.parameters import read_parameter
from wavewright.buses.frames import Frames
from wavewright.buses.vocabulary import Vocabulary
from wavewright.errors import Misuse
from wavewright.nearest import did_you_mean
from wavewright.registry import Registry

F = TypeVar("F", bound=Callable[..., Frames])

RATE_WORDS = {"baud": "bit_rate", "bit_rate": "baud"}  # start-stop lines have a baud, others a bit rate


Refusal = Callable[[Collection[str], Mapping[str, Any]], None]
"""Raises Misuse where the lines that are given and the options, defaults included, do not go together."""


def nothing_more(lines: Collection[str], options: Mapping[str, Any]) -> None:
    """For a bus or layer that refuses nothing beyond what the annotations of its options say."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """What buses and layers have in common: a documented function with options.

    `says` is all that its frames can say; None, of other packages alone, leaves searches over them unchecked. `refuse`
    says what it refuses beyond each option by itself; None, again of others alone, has it tried on a record.
    """

    name: str
    source: str
    decode: Callable[..., Frames]
    says: Vocabulary | None = None
    refuse: Refusal | None = None

    @property
    def definition(self) -> str:
        """The first line of its documentation."""
        return (inspect.getdoc(self.decode) or "").split("\n", 1)[0]

    @property
    def lines(self) -> tuple[str, ...]:
        """The names of all lines that it can be decoded from."""
        return ()

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its options: the keyword-only arguments of the function."""
        return parameters_of(self.decode)

    def instead_of(self, name: str, known: Iterable[str]) -> str:
        """What to write instead of an option that it has not: the word that this kind of line has for its rate."""
        if name not in RATE_WORDS:
            return did_you_mean(name, known)
        right = RATE_WORDS[name]
        if right in {parameter.name for parameter in self.parameters}:
            kind = (
                "a start-stop line, such as uart and lin, has"
                if right == "baud"
                else "other lines than uart and lin have"
            )
            return f"write `{right}`: {kind} a `{right}`"
        return f"leave `{name}` out: the rate of this bus is read off its lines"

    def options(self, given: Mapping[str, object]) -> dict[str, Any]:
        """Check and convert options as a recipe, a command line or a caller writes them.

        Raises
        ------
        Misuse : an unknown name, a missing one, a value that does not fit; says what would.
        """
        known = {parameter.name: parameter for parameter in self.parameters}
        what = f"{type(self).__name__.lower()} `{self.name}`"
        for name in given:
            if name not in known:
                others = [*known, *self.lines]
                lines = f"; its lines are {', '.join(self.lines)}" if self.lines else ""
                raise Misuse(
                    f"unknown option `{name}` of {what}",
                    expected=(f"one of {', '.join(known)}" if known else "no options") + lines,
                    do=self.instead_of(name, others),
                )
        if missing := [p.name for p in known.values() if p.is_required and p.name not in given]:
            raise Misuse(f"{what} needs {', '.join(f'`{name}`' for name in missing)}")
        return {name: read_parameter(value, known[name].annotation, name=name) for name, value in given.items()}


@dataclass(frozen=True, slots=True)
class Bus(_Entry):
    """One entry: how the lines of a bus become frames.

    Parameters
    ----------
    channels : sets of channels that it can be decoded from; a name that ends in `?` may be left out.
    differential : the pair of channels, high and low, whose difference stands for the first channel of the first set.
    levels : the logic levels of the differential pair.
    """

    channels: tuple[tuple[str, ...], ...] = ()
    differential: tuple[str, str] | None = None
    levels: str = "auto"

    @property
    def lines(self) -> tuple[str, ...]:
        """The names of all lines that it can be decoded from."""
        return tuple(dict.fromkeys(line.rstrip("?") for lines in self.channels for line in lines))


@dataclass(frozen=True, slots=True)
class Layer(_Entry):
    """One entry: how the frames of the buses that it works on become those of a protocol above them."""

    on: tuple[str, ...] = ()


BUSES: Registry[Bus] = Registry("bus", package="wavewright.buses", group="wavewright.buses")
LAYERS: Registry[Layer] = Registry("layer", package="wavewright.buses", group="wavewright.buses")


def bus(
    name: str,
    *,
    channels: tuple[str, ...],
    source: str,
    differential: tuple[str, str] | None = None,
    levels: str = "auto",
    says: Vocabulary | None = None,
    refuse: Refusal | None = None,
) -> Callable[[F], F]:
    """Enter the decorated function into the catalogue; it stays an ordinary function.

    It takes one `Line` a channel by position, None for one that was left out, and options by keyword, and returns
    `Frames`.

    Parameters
    ----------
    channels : names in the order of the arguments; one that ends in `?` may be left out.
    differential : a pair of channels, high and low, that may be given instead of the first.
    levels : logic levels of that pair.
    says : all that its frames can say, against which searches are checked; None: not stated.
    refuse : what it refuses beyond each option by itself, `nothing_more` if nothing; None: not stated, and a recipe
        that decodes it is tried on a record of one sample.
    """

    def enter(function: F) -> F:
        sets = (channels,) if differential is None else (channels, (*differential, *channels[1:]))
        entry = Bus(name, source, function, says, refuse, sets, differential, levels)
        BUSES.enter(name, entry, made_in=function.__module__)
        return function

    return enter


def layer(
    name: str, *, on: tuple[str, ...], source: str, says: Vocabulary | None = None, refuse: Refusal | None = None
) -> Callable[[F], F]:
    """Enter the decorated function as a layer: it takes `Frames` of one of the buses `on`, and options by keyword.

    Its frames have, besides what it `says`, every error of the frames that they are made of. `refuse` is as for `bus`;
    the options that it is given are those of the bus as well.
    """

    def enter(function: F) -> F:
        LAYERS.enter(name, Layer(name, source, function, says, refuse, on), made_in=function.__module__)
        return function

    return enter


def buses() -> Mapping[str, Bus]:
    """Every bus by name: the modules of this package, then what other packages bring."""
    return BUSES.everything()


def layers() -> Mapping[str, Layer]:
    """Every layer by name, found as the buses are."""
    return LAYERS.everything()


def find_layer(name: str, *, on: str) -> Layer:
    """The layer of that name that works on a bus.

    Raises
    ------
    Misuse : there is none, or it does not work on that bus.
    """
    entry = LAYERS.get(name)
    if entry is None or on not in entry.on:
        those = {key: each for key, each in layers().items() if on in each.on}
        entry = LAYERS.find(name, among=those, what=f"layer on `{on}`")
    return entry


def vocabulary(bus: str, then: str = "") -> Vocabulary | None:
    """All that the frames of a bus can say, or those of a layer on it; None where one of the two does not state it.

    Raises
    ------
    Misuse : there is no such bus or layer.
    """
    below = BUSES.find(bus)
    if below.says is None:
        return None
    if not then:
        return replace(below.says, of=f"bus `{bus}`")
    above = find_layer(then, on=bus)
    return None if above.says is None else above.says.above(below.says, of=f"`{then}` on bus `{bus}`")
