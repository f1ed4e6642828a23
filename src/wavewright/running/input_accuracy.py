"""The accuracy of an input, kept with every shot: budgets can be computed again without bench and profile.

Among the settings of a capture it is under names such as `input1.accuracy.gain`, in SI units and at the probe's
tip; what nobody has stated is left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

from wavewright.analysis.uncertainty.accuracy import NO_ERROR, UNKNOWN, Accuracy, TemperatureDrift
from wavewright.analysis.uncertainty.stated_limits import LimitMeaning, RangeLimit, StatedBandwidth
from wavewright.instruments.stated_accuracy import StatedAccuracy
from wavewright.quantities import show_quantity
from wavewright.running.input_facts import InputPath

Facts = Mapping[str, float | str | bool]
UNCERTAINTY = ".uncertainty"  # ends the name of a setting that is the uncertainty of another
WITHIN = ".accuracy."  # within the name of a setting that is a part of an accuracy
NUMBERS = ("gain", "timebase", "skew", "aperture_jitter", "attenuation")
LEVELS = ("offset", "nonlinearity", "noise_floor")
OF_DRIFT = ("gain", "timebase", "within")


def input_accuracy(path: InputPath, settings: Facts, *, instrument: str) -> Accuracy:
    """What profile and bench state about one input of a digitizer as it is set, at the probe's tip.

    Two readings of an input share its errors as long as its range is the same: in another range it has another gain and
    another offset.

    Parameters
    ----------
    settings : as read back, at the probe's tip.
    instrument : name of the digitizer in the bench file.
    """
    number, width, tip = path.channel.input, settings.get(f"input{path.channel.input}.range"), path.tip
    at = f" at {show_quantity(float(width), 'V')}" if isinstance(width, int | float) else ""
    widths = path.bandwidths.values()
    found = path.profile.grammar.accuracy.of_voltages(
        attenuation=path.attenuation, bandwidth=1 / math.hypot(*(1 / one for one in widths)) if widths else None
    )
    is_plain = math.isclose(path.attenuation, 1.0)
    tolerance = None if tip is None or is_plain else tip.tolerance
    return replace(
        found,
        bandwidth=_with_tolerance(found.bandwidth, None if tip is None else tip.bandwidth_tolerance),
        attenuation=tolerance,
        attenuation_is_known=is_plain or tolerance is not None,
        instrument=instrument,
        input=f"input{number}{at}",
        source=f"profile `{path.profile.name}`",
    )


def _with_tolerance(stated: StatedBandwidth | None, of_probe: float | None) -> StatedBandwidth | None:
    """The larger of the tolerances of input and probe, for both together."""
    if stated is None or of_probe is None:
        return stated
    return StatedBandwidth(stated.value, max(of_probe, stated.tolerance or 0.0))


def read_accuracy(stated: StatedAccuracy, quantity: str, *, instrument: str, profile: str) -> Accuracy:
    """What a profile states about a quantity that a meter or a supply reads."""
    return replace(stated.of_quantity(quantity), instrument=instrument, input=quantity, source=f"profile `{profile}`")


def accuracy_facts(head: str, accuracy: Accuracy, *, full_scale: float | None) -> dict[str, float | str | bool]:
    """An accuracy by names for the settings of a capture.

    Parameters
    ----------
    head : of the names: `input1`, `meter.rail`.
    full_scale : of the range in use, in the unit of the values; None where it is not known, and then limits that are a
        share of it are not known either.
    """
    return {f"{head}{WITHIN}{name}": value for name, value in _parts(accuracy, full_scale)}


def _parts(accuracy: Accuracy, full_scale: float | None) -> Iterator[tuple[str, float | str | bool]]:
    for name in NUMBERS:
        if (number := getattr(accuracy, name)) is not None:
            yield name, float(number)
    for name in LEVELS:
        limit: RangeLimit | None = getattr(accuracy, name)
        if limit is not None and (level := limit.limit(full_scale)) is not None:
            yield name, level
    if not accuracy.attenuation_is_known:
        yield "attenuation", UNKNOWN
    if accuracy.bandwidth is not None:
        yield "bandwidth", accuracy.bandwidth.value
        if accuracy.bandwidth.tolerance is not None:
            yield "bandwidth_tolerance", accuracy.bandwidth.tolerance
    drift = accuracy.temperature
    if drift is not None:
        for name in OF_DRIFT:
            yield f"temperature.{name}", float(getattr(drift, name))
        if (level := drift.offset.limit(full_scale)) is not None:
            yield "temperature.offset", level
    for name, standard in accuracy.corrected.items():
        yield f"corrected.{name}", standard
    for name, causes in accuracy.shared.items():
        for cause, part in causes.items():
            yield f"shared.{name}.{cause}", part
    meaning = accuracy.limits
    yield "limits", f"{meaning.word} {meaning.factor:.17g}" if meaning.word == "expanded" else meaning.word
    for name in ("instrument", "input", "source"):
        yield name, str(getattr(accuracy, name))


def accuracy_in(settings: Facts, head: str) -> Accuracy | None:
    """The accuracy that `accuracy_facts` entered under that head; None where there is none, as in old records."""
    begin = f"{head}{WITHIN}"
    found = {name.removeprefix(begin): value for name, value in settings.items() if name.startswith(begin)}
    if "instrument" not in found:
        return None

    def number(name: str) -> float | None:
        value = found.get(name)
        return float(value) if isinstance(value, int | float) else None

    def level(name: str) -> RangeLimit | None:
        value = number(name)
        return None if value is None else RangeLimit(0.0, value)

    width, within = number("bandwidth"), number("temperature.within")
    word, _, factor = str(found["limits"]).partition(" ")
    return Accuracy(
        gain=number("gain"),
        offset=level("offset"),
        timebase=number("timebase"),
        skew=number("skew"),
        nonlinearity=level("nonlinearity"),
        noise_floor=level("noise_floor"),
        aperture_jitter=number("aperture_jitter"),
        bandwidth=None if width is None else StatedBandwidth(width, number("bandwidth_tolerance")),
        temperature=None
        if within is None
        else TemperatureDrift(
            gain=number("temperature.gain") or 0.0,
            offset=level("temperature.offset") or NO_ERROR,
            timebase=number("temperature.timebase") or 0.0,
            within=within,
        ),
        attenuation=number("attenuation"),
        attenuation_is_known=found.get("attenuation") != UNKNOWN,
        limits=LimitMeaning(word, float(factor) if factor else 1.0),
        corrected={
            name.removeprefix("corrected."): float(value)
            for name, value in found.items()
            if name.startswith("corrected.") and isinstance(value, int | float)
        },
        shared=_shared(found),
        instrument=str(found["instrument"]),
        input=str(found.get("input", "")),
        source=str(found.get("source", "")),
    )


def _shared(found: Facts) -> dict[str, dict[str, float]]:
    """By what was corrected, the parts of what is left that have a cause in common with others."""
    shared: dict[str, dict[str, float]] = {}
    for name, value in found.items():
        if name.startswith("shared.") and isinstance(value, int | float):
            quantity, _, cause = name.removeprefix("shared.").partition(".")
            shared.setdefault(quantity, {})[cause] = float(value)
    return shared
