"""From the limits of error that a profile states to the standard uncertainty of one reading."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from wavewright.instruments.profile_grammar import Accuracy

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


def standard_uncertainty(
    accuracy: Accuracy, quantity: str, value: float, *, full_scale: float | None = None
) -> float | None:
    """The standard uncertainty of a reading, in its unit; None where the profile does not state the accuracy.

    The limits of error ±a are taken as rectangular: a/√3 (JCGM 100:2008, 4.3.7 †).

    Parameters
    ----------
    full_scale : of the range in use; None where it is not known, and then a share of it is not either.
    """
    names = _STATED.get(quantity)
    if names is None:
        return None
    gain, fixed = (getattr(accuracy, name) for name in names)
    share, offset = fixed if isinstance(fixed, tuple) else (0.0, fixed)
    if gain is None or offset is None or (share and full_scale is None):
        return None
    return float(gain * abs(value) + share * (full_scale or 0.0) + offset) / math.sqrt(3)
