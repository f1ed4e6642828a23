"""What a profile states about the errors of an instrument, and what that means for one of its readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, ClassVar

from pydantic import BeforeValidator, Field, WithJsonSchema

from wavewright.analysis.uncertainty.accuracy import Accuracy, TemperatureDrift, kelvins
from wavewright.analysis.uncertainty.stated_limits import LimitMeaning, RangeLimit, StatedBandwidth
from wavewright.earlier_spellings import ACCURACIES, names_of_today
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import plain, refusing
from wavewright.grammar.quantity_fields import Amperes, Seconds, Share

# Quantity -> the fields with its share of the reading and its fixed part. For ac quantities and resistance an accuracy
# cannot be stated yet, since it depends on the frequency and on the range.
_STATED: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "voltage": ("gain", "offset"),
        "dc_voltage": ("gain", "offset"),
        "current": ("current_gain", "current_offset"),
        "dc_current": ("current_gain", "current_offset"),
    }
)

OffsetAccuracy = Annotated[
    RangeLimit,
    BeforeValidator(refusing(lambda value: RangeLimit.read(value, units=("V",)))),
    WithJsonSchema({"type": "string", "examples": ["0.5 % of range + 1 mV"]}),
]
Meaning = Annotated[
    LimitMeaning,
    BeforeValidator(refusing(lambda value: LimitMeaning.read(plain(value)))),
    WithJsonSchema(
        {
            "anyOf": [
                {"enum": ["rectangular", "standard"]},
                {
                    "type": "object",
                    "properties": {"expanded": {"type": "number", "description": "coverage factor", "examples": [2]}},
                    "required": ["expanded"],
                },
            ],
            "examples": ["rectangular", "standard", {"expanded": 2}],
        }
    ),
]
Kelvins = Annotated[
    float,
    BeforeValidator(refusing(kelvins)),
    WithJsonSchema({"type": ["string", "number"], "examples": ["5 K"]}),
]


class StatedDrift(GrammarModel):
    """How the limits grow outside the temperatures that they are stated for."""

    gain: Share = Field(default=0.0, description="of the reading, per kelvin", examples=["50 ppm"])
    offset: OffsetAccuracy = Field(
        default=RangeLimit(), description="per kelvin: a share of the range, a voltage, or both", examples=["20 uV"]
    )
    timebase: Share = Field(default=0.0, description="of the sample clock, per kelvin", examples=["0.1 ppm"])
    within: Kelvins = Field(
        description="how far the temperature may be from those that the limits are stated for", examples=["5 K"]
    )


class StatedAccuracy(GrammarModel):
    """Limits of error of the instrument: each an interval that its true value lies in, ± the number."""

    renamed: ClassVar[Mapping[str, str]] = names_of_today(ACCURACIES)

    gain: Share | None = Field(default=None, description="of the reading, for voltages")
    offset: OffsetAccuracy | None = Field(
        default=None,
        description="error of voltages that does not depend on the reading: a share of the range, a voltage, or both",
    )
    nonlinearity: OffsetAccuracy | None = Field(
        default=None,
        description="integral non-linearity: how far a value may lie from the straight line, beside gain and offset",
        examples=["0.2 % of range"],
    )
    noise_floor: OffsetAccuracy | None = Field(
        default=None,
        description="rms noise of an open input: a share of the range, a voltage, or both",
        examples=["0.1 % of range + 100 uV"],
    )
    current_gain: Share | None = Field(default=None, description="of a supply or meter: of the reading, for currents")
    current_offset: Amperes | None = Field(
        default=None,
        description="of a supply or meter: error of currents that does not depend on the reading",
        examples=["5 mA"],
    )
    temperature_offset: Kelvins | None = Field(
        default=None, description="of a meter: error of the temperatures that it reads", examples=["0.5 K"]
    )
    timebase: Share | None = Field(default=None, description="of the sample clock", examples=["10 ppm"])
    skew: Seconds | None = Field(default=None, description="delay between any two inputs", examples=["200 ps"])
    aperture_jitter: Seconds | None = Field(
        default=None, description="rms jitter of the sampling instants", examples=["5 ps"]
    )
    trigger_jitter: Seconds | None = Field(
        default=None, description="of a digitizer: rms jitter of the trigger", examples=["50 ps"]
    )
    bandwidth: Share | None = Field(
        default=None, description="of the bandwidth, and of the corners of the band limit", examples=["10 %"]
    )
    temperature: StatedDrift | None = Field(
        default=None,
        description="what the limits grow by per kelvin, and how many kelvin that may be",
        examples=[{"gain": "50 ppm", "offset": "20 uV", "timebase": "0.1 ppm", "within": "5 K"}],
    )
    warm_up: Seconds | None = Field(
        default=None, description="time after switching on from which these limits hold", examples=["1800 s"]
    )
    limits: Meaning = Field(
        default=LimitMeaning(),
        description="what these limits are: `rectangular`, the error lies within them, anywhere; `standard`, they are "
        "standard uncertainties; `{expanded: 2}`, expanded uncertainties with that coverage factor",
    )

    @property
    def noise(self) -> RangeLimit | None:
        """The noise floor."""
        return self.noise_floor

    def of_voltages(self, *, attenuation: float = 1.0, bandwidth: float | None = None) -> Accuracy:
        """What is stated of an input, at the tip of a probe that divides by so much.

        Parameters
        ----------
        bandwidth : of probe, input and band limit together, Hz; None: not known.
        """
        drift = self.temperature
        return Accuracy(
            gain=self.gain,
            offset=_at_tip(self.offset, attenuation),
            nonlinearity=_at_tip(self.nonlinearity, attenuation),
            noise_floor=_at_tip(self.noise_floor, attenuation),
            timebase=self.timebase,
            skew=self.skew,
            aperture_jitter=self.aperture_jitter,
            bandwidth=None if bandwidth is None else StatedBandwidth(bandwidth, self.bandwidth),
            temperature=None
            if drift is None
            else TemperatureDrift(
                drift.gain, _at_tip(drift.offset, attenuation) or RangeLimit(), drift.timebase, drift.within
            ),
            limits=self.limits,
        )

    def of_quantity(self, quantity: str) -> Accuracy:
        """What is stated of a quantity that a meter or a supply reads; nothing where the grammar cannot say it."""
        if quantity == "temperature" and self.temperature_offset is not None:
            # in kelvin, of a reading in degC: a share of that would depend on where its scale begins
            return Accuracy(gain=0.0, offset=RangeLimit(0.0, self.temperature_offset), limits=self.limits)
        names = _STATED.get(quantity)
        if names is None:
            return Accuracy()
        if names[0] == "gain":
            return replace(self.of_voltages(), timebase=None, skew=None)
        offset = self.current_offset
        return Accuracy(
            gain=self.current_gain, offset=None if offset is None else RangeLimit(0.0, offset), limits=self.limits
        )


def _at_tip(limit: RangeLimit | None, attenuation: float) -> RangeLimit | None:
    """A share of the range is one of the range at the tip; what is fixed at the connector is more there."""
    return None if limit is None else RangeLimit(limit.share, limit.fixed * attenuation)


def standard_uncertainty(
    accuracy: StatedAccuracy, quantity: str, value: float, *, full_scale: float | None = None
) -> float | None:
    """The standard uncertainty of a reading, in its unit; None where the profile does not state the accuracy.

    Share and fixed part as one limit, as data sheets state them (JCGM 100:2008, 4.3.7 †).

    Parameters
    ----------
    full_scale : of the range in use; None where it is not known, and then a share of it is not either.
    """
    stated = accuracy.of_quantity(quantity)
    offset = None if stated.offset is None else stated.offset.limit(full_scale)
    if stated.gain is None or offset is None:
        return None
    return stated.limits.standard(stated.gain * abs(value) + offset)
