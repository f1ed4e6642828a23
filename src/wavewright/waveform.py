"""Waveforms and captures: raw codes of a converter with the scale, the time axis and the origin of each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import KW_ONLY, dataclass, field, replace
from datetime import UTC, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Self, TypeAlias

import numpy as np

from wavewright.displays import shown_as
from wavewright.errors import Misuse, UnknownName
from wavewright.nearest import did_you_mean

if TYPE_CHECKING:
    import numpy.typing as npt

MOST_EXACT = 1 << 53  # whole numbers that a float64 holds exactly
Codes: TypeAlias = "npt.NDArray[Any]"
Floats: TypeAlias = "npt.NDArray[np.float64]"


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Waveform:
    """One channel of a record: value = offset + gain · code, at time start + interval · index.

    Codes stay what came over the wire and are never expanded to float64 as a whole on the way to a metric:
    thresholds become codes, and only the few samples that matter become volts.

    Parameters
    ----------
    codes : shape (n,), signed or unsigned integers or floats. Kept as a read-only view. NaN marks samples
        that the instrument sent as invalid.
    gain : unit per code, finite and not 0; negative for an inverting front end.
    offset : value of code 0, in `unit`.
    interval : time between two samples, s, > 0.
    start : time of the first sample, s; the trigger is at 0.
    unit : unit of the values, `V` unless a current or a derived quantity is meant.
    name : name of the channel, for messages.
    code_range : lowest and highest code of the converter. A sample on either is clipped. None: not known.

    Raises
    ------
    Misuse : codes that are not a one-dimensional array of numbers, or beyond 2⁵³; a scale or a time axis that is not
        finite.

    Examples
    --------
    >>> rail = Waveform(np.array([0, 1, 2], dtype=np.int8), gain=0.5, offset=1.0, interval=1e-6, name="rail")
    >>> rail.values().tolist()
    [1.0, 1.5, 2.0]
    """

    codes: Codes
    _: KW_ONLY
    gain: float = 1.0
    offset: float = 0.0
    interval: float
    start: float = 0.0
    unit: str = "V"
    name: str = ""
    code_range: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        codes = np.asarray(self.codes)
        if codes.ndim != 1 or codes.dtype.kind not in "iuf":
            raise Misuse(
                f"waveform `{self.name}`: codes of shape {codes.shape} and type {codes.dtype}",
                expected="one row of integers or floats",
            )
        if codes.dtype.itemsize == 8 and codes.dtype.kind in "iu" and codes.size:
            lowest, highest = int(codes.min()), int(codes.max())
            if not -MOST_EXACT <= lowest <= highest <= MOST_EXACT:
                raise Misuse(
                    f"waveform `{self.name}`: codes from {lowest} to {highest}",
                    expected=f"whole numbers up to {MOST_EXACT}, which a float64 holds exactly",
                    do="take the lowest code away and put it into `offset`",
                )
        if not (math.isfinite(self.gain) and self.gain and math.isfinite(self.offset)):
            raise Misuse(
                f"waveform `{self.name}`: gain {self.gain:g}, offset {self.offset:g}",
                expected="finite numbers, the gain not 0",
            )
        if not (math.isfinite(self.interval) and self.interval > 0 and math.isfinite(self.start)):
            raise Misuse(
                f"waveform `{self.name}`: interval {self.interval:g} s, start {self.start:g} s",
                expected="finite times, the interval above 0",
            )
        view = codes.view()
        view.flags.writeable = False
        object.__setattr__(self, "codes", view)

    @classmethod
    def from_volts(
        cls, volts: npt.ArrayLike, *, interval: float, start: float = 0.0, name: str = "", unit: str = "V"
    ) -> Self:
        """A waveform of values that are numbers already: float64 codes with gain 1."""
        return cls(np.asarray(volts, dtype=np.float64), interval=interval, start=start, name=name, unit=unit)

    def __len__(self) -> int:
        return int(self.codes.size)

    @property
    def label(self) -> str:
        """Name of the channel, for messages; `waveform` where it has none."""
        return self.name or "waveform"

    @property
    def duration(self) -> float:
        """Time that the samples stand for: number of samples times the interval, s."""
        return len(self) * self.interval

    def part(self, first: int, last: int) -> Waveform:
        """Samples `first` up to, and without, `last`, as a waveform on the same time axis; a view."""
        return replace(self, codes=self.codes[first:last], start=self.time_of(first))

    def values(self, first: int = 0, last: int | None = None) -> Floats:
        """Samples `first` up to, and without, `last` in `unit`, as float64: for parts of a record, not all of it."""
        return self.offset + self.gain * self.codes[first:last].astype(np.float64)

    def value_of(self, code: float) -> float:
        """The value that a code stands for, in `unit`."""
        return self.offset + self.gain * float(code)

    def code_of(self, value: float) -> float:
        """The code, not rounded, that stands for a value in `unit`."""
        return (value - self.offset) / self.gain

    def time_of(self, index: float) -> float:
        """The time of a sample, or of a place between two, in s."""
        return self.start + self.interval * float(index)

    def __repr__(self) -> str:
        return (
            f"Waveform({self.name!r}, {len(self)} × {self.codes.dtype}, gain={self.gain:g} {self.unit}, "
            f"offset={self.offset:g} {self.unit}, interval={self.interval:g} s, start={self.start:g} s)"
        )

    def _repr_html_(self) -> str:
        """A small picture and what is known of the record, for notebooks."""
        return shown_as("waveform", self)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Capture:
    """What one shot brought: waveforms on one time axis, the settings as read back, and who took it.

    Parameters
    ----------
    waveforms : by channel name.
    trigger_time : time of the trigger on the waveforms' axis, s.
    triggered : False where an automatic trigger ran out of patience and the record was forced.
    settings : what the instrument said that it really used, by setting name (`input1.range`, …), SI units.
    identity : the digitizer's answer to `*IDN?`.
    taken : time of the shot, UTC.
    """

    waveforms: Mapping[str, Waveform]
    trigger_time: float = 0.0
    triggered: bool = True
    settings: Mapping[str, float | str | bool] = field(default_factory=dict)
    identity: str = ""
    taken: datetime = field(default_factory=lambda: datetime.now(UTC))

    def __post_init__(self) -> None:
        for name in ("waveforms", "settings"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __getitem__(self, channel: str) -> Waveform:
        if channel in self.waveforms:
            return self.waveforms[channel]
        raise UnknownName(
            f"no channel `{channel}` in the capture",
            expected=f"one of {', '.join(self.waveforms)}" if self.waveforms else "none: it is empty",
            do=did_you_mean(channel, self.waveforms),
        )

    def __repr__(self) -> str:
        """Channels, length and time; at most about 200 characters."""
        names = ", ".join(list(self.waveforms)[:8]) + (", …" if len(self.waveforms) > 8 else "")
        samples = max(map(len, self.waveforms.values()), default=0)
        trigger = f"trigger at {self.trigger_time:g} s" if self.triggered else "without a trigger"
        return (
            f"<Capture of {names or 'no channels'}: {samples} samples, {trigger}, {self.taken:%Y-%m-%d %H:%M:%S} UTC>"
        )

    def __reduce__(self) -> tuple[Any, ...]:  # a mapping proxy does not pickle
        rest = (self.trigger_time, self.triggered, dict(self.settings), self.identity, self.taken)
        return Capture, (dict(self.waveforms), *rest)


def listed_waveforms(given: object) -> list[Waveform]:
    """One waveform, or several in a row, as a list.

    Raises
    ------
    Misuse : something else, such as samples alone, which have no time axis.
    """
    if isinstance(given, Waveform):
        return [given]
    if isinstance(given, Iterable) and not isinstance(given, Mapping):
        found = []
        for one in given:
            if not isinstance(one, Waveform):
                break
            found.append(one)
        else:
            return found
    raise _no_waveforms(given, expected="a waveform, or a list of them: first, second")


def check_waveforms_by_name(given: object) -> None:
    """See that waveforms were given by the names of their channels.

    Raises
    ------
    Misuse : something else, such as a waveform that no name says the channel of.
    """
    if not isinstance(given, Mapping) or not all(isinstance(one, Waveform) for one in given.values()):
        raise _no_waveforms(given, expected="waveforms by the names of their channels, as in `{'tx': wave}`")


def _no_waveforms(given: object, *, expected: str) -> Misuse:
    return Misuse(
        f"`{type(given).__name__}` in place of waveforms",
        expected=expected,
        do="`Waveform.from_volts(samples, interval=1e-6)` makes one of samples",
    )
