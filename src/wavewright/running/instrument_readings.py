"""What the meter and the supply read after a shot, and the digitizer's own values for a cross-check."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from wavewright.errors import LinkLost, NotMeasurable, WavewrightError
from wavewright.instruments.built_in_measurement import has_built_in_measurement
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.meter import Meter, meter_assignments
from wavewright.instruments.stated_accuracy import standard_uncertainty
from wavewright.instruments.supply import Supply
from wavewright.recipe.metering import Metering, SupplyQuantity
from wavewright.running.input_accuracy import UNCERTAINTY, accuracy_facts, read_accuracy
from wavewright.running.instrument_settings import SettingsRecord, meter_setup
from wavewright.running.result import CrossCheck, Result


def meter_values(
    meter: Meter, wanted: Mapping[str, Metering], record: SettingsRecord | None = None
) -> dict[str, float | str | bool]:
    """By the name that a capture has for it: the value in SI units, or in words why there is none.

    Beside a value stands its standard uncertainty, where the profile states the accuracy of the quantity.

    Parameters
    ----------
    record : takes in what was requested of the meter and what it is set to.

    Raises
    ------
    SetOtherwise, Complaint, BadAnswer, NoAnswer, LinkLost
    """
    values: dict[str, float | str | bool] = {}
    kept = SettingsRecord() if record is None else record
    for one in wanted.values():
        setup = meter_setup(one)
        with kept.keeping(meter_assignments(setup, meter.profile), meter, head=f"meter.{one.name}.") as used:
            used.update(meter.configure(setup))
        values |= _kept(one, meter.read, meter)
    return values


def supply_values(supply: Supply, wanted: Mapping[str, Metering]) -> dict[str, float | str | bool]:
    """As `meter_values`, of the supply's own output.

    Raises
    ------
    BadAnswer, NoAnswer, LinkLost
    """
    measured: Mapping[str, Callable[[], float]] = {
        SupplyQuantity.VOLTAGE: supply.measured_voltage,
        SupplyQuantity.CURRENT: supply.measured_current,
    }
    values: dict[str, float | str | bool] = {}
    for one in wanted.values():
        values |= _kept(one, measured[one.quantity], supply)
    return values


def cross_checks(digitizer: Digitizer, results: Sequence[Result]) -> Iterator[CrossCheck]:
    """A row for every result of one input whose metric the profile knows how to ask for.

    Whatever goes wrong in asking is a remark in its row: the readings are taken, and no query changes them. A link
    that is lost on the way ends the asking; whoever needs the instrument next will say so.
    """
    for result in results:
        if len(result.of) != 1 or not result.shots or not has_built_in_measurement(digitizer, result.metric):
            continue
        if result.of[0] not in digitizer.channels:
            continue  # computed from channels: the instrument knows nothing of it
        ours = result.shots[-1]
        try:
            theirs = digitizer.own_value(result.metric, result.of[0])
        except WavewrightError as fault:
            yield CrossCheck(result.name, ours.unit, ours.value, None, fault.what)
            if isinstance(fault, LinkLost):
                return
        else:
            yield CrossCheck(result.name, ours.unit, ours.value, theirs)


def _kept(wanted: Metering, read: Callable[[], float], instrument: Meter | Supply) -> dict[str, float | str | bool]:
    try:
        value = read()
    except NotMeasurable as fault:
        return {wanted.kept_as: fault.what}
    profile = instrument.profile
    accuracy = profile.grammar.accuracy
    needs_range = bool(accuracy.offset and accuracy.offset[0]) and profile.can_ask("range")
    full_scale = float(instrument.get("range")) if needs_range else None  # what it uses, not what was asked for
    uncertainty = standard_uncertainty(accuracy, wanted.quantity, value, full_scale=full_scale)
    stated = read_accuracy(accuracy, wanted.quantity, instrument=wanted.by, profile=profile.name)
    kept: dict[str, float | str | bool] = {wanted.kept_as: value}
    if uncertainty is not None:
        kept[wanted.kept_as + UNCERTAINTY] = uncertainty
    return kept | accuracy_facts(wanted.kept_as, stated, full_scale=full_scale)
