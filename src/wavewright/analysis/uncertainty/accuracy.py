"""Accuracy: what is stated about the errors of an input, in the words of profiles and data sheets."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TypeVar

from wavewright.analysis.uncertainty.stated_limits import (
    LimitMeaning,
    RangeLimit,
    StatedBandwidth,
    ratio_limit,
    time_limit,
)
from wavewright.errors import Misuse

T = TypeVar("T")
NO_ERROR = RangeLimit()
NOTHING_CORRECTED: Mapping[str, float] = MappingProxyType({})
NOTHING_SHARED: Mapping[str, Mapping[str, float]] = MappingProxyType({})
UNKNOWN = "unknown"
ROUNDED = 1e-3  # relative: what the digits of a file leave of a number
CORRECTABLE = ("gain", "offset", "timebase", "skew")


@dataclass(frozen=True, slots=True)
class TemperatureDrift:
    """How the errors of an input grow away from the temperature at which they are stated.

    Parameters
    ----------
    gain, timebase : change per kelvin, as ratios; offset : change per kelvin.
    within : largest distance from the temperatures that the limits hold for, K.
    """

    gain: float = 0.0
    offset: RangeLimit = NO_ERROR
    timebase: float = 0.0
    within: float = 0.0

    @classmethod
    def read(cls, stated: object) -> TemperatureDrift:
        """From `{gain: 50 ppm, offset: 0.01 % of range, timebase: 0.5 ppm, within: 5}`, each per kelvin.

        Raises
        ------
        Misuse : another key, or a value that does not fit.
        """
        if isinstance(stated, TemperatureDrift):
            return stated
        known = ("gain", "offset", "timebase", "within")
        if not isinstance(stated, Mapping) or set(stated) - set(known) or "within" not in stated:
            raise Misuse(
                f"`temperature` is `{stated}`",
                expected="change per kelvin of `gain`, `offset` or `timebase`, and `within`: how many kelvin away",
            )
        return cls(
            gain=ratio_limit(stated.get("gain", 0.0), "gain"),
            offset=RangeLimit.read(stated.get("offset", 0.0)),
            timebase=ratio_limit(stated.get("timebase", 0.0), "timebase"),
            within=kelvins(stated["within"]),
        )


def kelvins(stated: object) -> float:
    """A difference of temperatures: `5 K`, or a number in kelvin.

    Raises
    ------
    Misuse : it is none, or negative.
    """
    words = str(stated).strip().removesuffix("K").strip()
    try:
        number = float(words)
    except ValueError:
        number = -1.0
    if isinstance(stated, bool) or not 0 <= number < 1000:
        raise Misuse(f"`{stated}` is not a difference of temperatures", expected="a number of kelvin, such as `5 K`")
    return number


@dataclass(frozen=True, slots=True, init=False)
class Accuracy:
    """What is stated about the errors of an input: each a limit that the error does not exceed, ± the number.

    What is not stated (None) is not known, and a reading on which it bears says so; 0 states that there is no error.

    Parameters
    ----------
    gain : of the values, as a ratio: `1.5 %`.
    offset : error that does not depend on the value: `0.5 % of range + 1 mV`. The range follows from the waveform's
        `gain` and `code_range`.
    timebase : of the sample clock, as a ratio: `10 ppm`. Waveforms of one instrument share it.
    skew : delay between any two inputs of the instrument: `200 ps`.
    nonlinearity : integral non-linearity: how far a code may lie from the straight line, as `offset`.
    noise_floor : rms noise of the input with nothing connected, as `offset`. It is in the record already, and so in the
        part of the uncertainty that comes from it.
    aperture_jitter : rms jitter of the sampling instants, s.
    bandwidth : of everything between the tip and the codes: `100 MHz ± 10 %`; infinite if no edge is too fast for it.
    temperature : `{gain: 50 ppm, offset: 20 uV, timebase: 0.1 ppm, within: 5 K}`: what the limits above grow by per
        kelvin, and the largest distance from the temperatures that they hold for.
    attenuation : of the probe, as a ratio: `1 %`; `unknown` where there is a probe and nobody has stated it.
    limits : what a limit means: `rectangular`, `standard`, or `{"expanded": 2}`; see `LimitMeaning`.
    corrected : of what calibration has found and a correction has taken out, the standard uncertainty that is left, by
        `gain`, `offset`, `timebase` or `skew`: `{"gain": 2e-4}`. It takes the place of the limit.
    shared : by the same names, the parts of that which have a cause in common with other corrections, by the cause, and
        signed: `{"gain": {"meter": 1e-4}, "offset": {"meter": -3e-4}}`. Parts of one cause are one and the same error.
    instrument, input : whose it is. Readings of one input share its errors, those of one instrument its time base.
    source : where the figures come from, in words.

    Raises
    ------
    Misuse : a value that does not fit; says what would.

    Examples
    --------
    >>> Accuracy(gain="1.5 %", offset="0.5 % of range + 1 mV", timebase="10 ppm").offset
    RangeLimit(share=0.005, fixed=0.001)
    """

    gain: float | None
    offset: RangeLimit | None
    timebase: float | None
    skew: float | None
    nonlinearity: RangeLimit | None
    noise_floor: RangeLimit | None
    aperture_jitter: float | None
    bandwidth: StatedBandwidth | None
    temperature: TemperatureDrift | None
    attenuation: float | None
    attenuation_is_known: bool
    limits: LimitMeaning
    corrected: Mapping[str, float]
    shared: Mapping[str, Mapping[str, float]]
    instrument: str
    input: str
    source: str

    def __init__(
        self,
        *,
        gain: str | float | None = None,
        offset: str | float | RangeLimit | None = None,
        timebase: str | float | None = None,
        skew: str | float | None = None,
        nonlinearity: str | float | RangeLimit | None = None,
        noise_floor: str | float | RangeLimit | None = None,
        aperture_jitter: str | float | None = None,
        bandwidth: str | float | StatedBandwidth | None = None,
        temperature: Mapping[str, object] | TemperatureDrift | None = None,
        attenuation: str | float | None = None,
        attenuation_is_known: bool = True,
        limits: str | Mapping[str, float] | LimitMeaning = "rectangular",
        corrected: Mapping[str, float] = NOTHING_CORRECTED,
        shared: Mapping[str, Mapping[str, float]] = NOTHING_SHARED,
        instrument: str = "",
        input: str = "",
        source: str = "stated accuracy",
    ) -> None:
        if attenuation == UNKNOWN:
            attenuation, attenuation_is_known = None, False
        read: dict[str, object] = {
            "gain": _read("gain", gain, ratio_limit),
            "offset": _read("offset", offset, _level),
            "timebase": _read("timebase", timebase, ratio_limit),
            "skew": _read("skew", skew, time_limit),
            "nonlinearity": _read("nonlinearity", nonlinearity, _level),
            "noise_floor": _read("noise_floor", noise_floor, _level),
            "aperture_jitter": _read("aperture_jitter", aperture_jitter, time_limit),
            "bandwidth": _read("bandwidth", bandwidth, lambda stated, name: StatedBandwidth.read(stated)),
            "temperature": _read("temperature", temperature, lambda stated, name: TemperatureDrift.read(stated)),
            "attenuation": _read("attenuation", attenuation, ratio_limit),
            "attenuation_is_known": attenuation_is_known,
            "limits": LimitMeaning.read(limits),
            "corrected": _corrected(corrected),
            "shared": _shared(shared, corrected),
            "instrument": instrument,
            "input": input,
            "source": source,
        }
        for name in ("instrument", "input", "source"):
            if not isinstance(read[name], str):
                raise Misuse(f"`{name}` is `{read[name]}`", expected="text")
        for name, value in read.items():
            object.__setattr__(self, name, value)

    def at(self, instrument: str, input: str = "") -> Accuracy:
        """The same of an input of an instrument."""
        return replace(self, instrument=instrument, input=input)


def _read(name: str, stated: object, read: Callable[[object, str], T]) -> T | None:
    """One part as it is read; None where it is not stated.

    Raises
    ------
    Misuse : it cannot be; says of which part that is.
    """
    if stated is None:
        return None
    try:
        return read(stated, name)
    except Misuse as fault:
        what = fault.what if f"`{name}`" in fault.what else f"`{name}`: {fault.what}"
        raise Misuse(what, expected=fault.expected, do=fault.do) from fault


def _level(stated: object, name: str) -> RangeLimit:
    return RangeLimit.read(stated)


def _corrected(stated: Mapping[str, float]) -> Mapping[str, float]:
    """Standard uncertainties by what was corrected.

    Raises
    ------
    Misuse : another name, or something that is not a number, negative or infinite.
    """
    expected = f"one of {', '.join(CORRECTABLE)}, with a standard uncertainty as a number"
    if not isinstance(stated, Mapping):
        raise Misuse(f"`corrected` is `{stated}`", expected=expected)
    for name, standard in stated.items():
        if name not in CORRECTABLE or not _is_number(standard) or standard < 0:
            raise Misuse(f"`corrected` has `{name}: {standard}`", expected=expected)
    return dict(stated)  # and no view of one, which worker processes could not be handed


def _shared(stated: Mapping[str, Mapping[str, float]], corrected: Mapping[str, float]) -> dict[str, dict[str, float]]:
    """Parts by what was corrected and by cause.

    Raises
    ------
    Misuse : of something that was not corrected, no numbers, or together more than the whole.
    """
    if not isinstance(stated, Mapping):
        raise Misuse(f"`shared` is `{stated}`", expected="by what was corrected, a part for each cause")
    for name, causes in stated.items():
        if not isinstance(causes, Mapping) or not all(map(_is_number, causes.values())):
            raise Misuse(f"`shared` has `{name}: {causes}`", expected="a part for each cause, as a number")
        together = math.hypot(*causes.values())
        if name not in corrected or not together <= corrected[name] * (1 + ROUNDED):
            raise Misuse(
                f"`shared` has {together:g} of `{name}`",
                expected=f"parts of what `corrected` states: {corrected.get(name, 'nothing')}",
            )
    return {name: dict(causes) for name, causes in stated.items() if causes}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
