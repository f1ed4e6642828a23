"""The meter's readings of a shot: taken after it, and kept with it, so that they can be judged again later."""

from __future__ import annotations

from collections.abc import Mapping

from wavewright.analysis.reading import Reading
from wavewright.errors import NotMeasurable
from wavewright.instruments.meter import Meter
from wavewright.instruments.setups import MeterSetup
from wavewright.recipe.metering import Metering
from wavewright.waveform import Capture

PREFIX = "meter."


def meter_setup(wanted: Metering) -> MeterSetup:
    """What the meter is set to."""
    cycles = None if wanted.cycles is None else float(wanted.cycles)
    return MeterSetup(quantity=wanted.quantity.value, range=wanted.range, cycles=cycles)


def meter_values(meter: Meter, wanted: Mapping[str, Metering]) -> dict[str, float | str]:
    """By the name that a capture has for it: the value in SI units, or in words why there is none.

    Raises
    ------
    Complaint, BadAnswer, NoAnswer, LinkLost
    """
    values: dict[str, float | str] = {}
    for name, one in wanted.items():
        try:
            values[PREFIX + name] = meter.measure(meter_setup(one))
        except NotMeasurable as fault:
            values[PREFIX + name] = fault.what
    return values


def metered(capture: Capture, wanted: Metering) -> Reading:
    """The reading that was kept with a capture."""
    value = capture.settings.get(PREFIX + wanted.name, "it was not read in this run")
    if isinstance(value, str):
        return Reading(None, wanted.unit, reason=value)
    return Reading(float(value), wanted.unit)
