"""Decoding: from captured waveforms to what was said on the line."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from wavewright.buses.bus_setup import BusSetup
from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.buses.frames import Frames
    from wavewright.waveform import Waveform

log = logging.getLogger(__name__)


def decode(
    channels: Mapping[str, Waveform], bus: str, *, then: str | None = None, levels: object = None, **options: Any
) -> Frames:
    """What was said on a bus: its frames in order of time, or those of a protocol above it.

    Parameters
    ----------
    channels : waveforms by the bus's own channel names (`tx`; `scl`, `sda`; …), on one time axis.
    bus : a name that `buses()` lists.
    then : a layer on that bus, such as `modbus_rtu`.
    levels : a family's name, two voltages, `auto`, or a mapping of such by channel name; see `levels.py`.
    options : of the bus and of the layer; one that both know goes to both.

    Returns
    -------
    A list of `Frame`, kept as columns. Lines that never change say nothing: the list is empty.

    Raises
    ------
    Misuse : an unknown bus, layer, channel or option; says what is known. Something else than waveforms by name.

    Examples
    --------
    >>> import numpy as np
    >>> from wavewright import Waveform
    >>> bits = [1, 1, *(0, 0, 0, 0, 1, 0, 0, 1, 0, 1), 1, 1]
    >>> tx = Waveform.from_volts(3.3 * np.repeat(bits, 10), interval=1 / 96000)
    >>> decode({"tx": tx}, "uart", baud=9600)[0].fields
    {'data': 72}
    """
    from wavewright.buses.bus_record import BusRecord
    from wavewright.waveform import check_waveforms_by_name

    check_waveforms_by_name(channels)
    return BusRecord(channels, bus, then=then, levels=levels, **options).frames


def check_decoding(bus: str, *, channels: Mapping[str, object], then: str | None = None, **options: Any) -> None:
    """Check names, options and their values without any waveform, as a recipe is checked before it runs.

    Parameters
    ----------
    channels : keys are the bus's channel names.

    Raises
    ------
    Misuse : as `decode` would.
    """
    levels = options.pop("levels", None)
    setup = BusSetup.read(bus, channels, then, levels, **options)
    given = setup.options
    entries = [setup.bus, *([] if setup.layer is None else [setup.layer])]
    for entry in entries:
        if entry.refuse is not None:
            entry.refuse(frozenset(channels), given)
    if any(entry.refuse is None for entry in entries):
        _try(bus, channels, then, levels, options)


def _try(bus: str, channels: Collection[str], then: str | None, levels: object, options: Mapping[str, object]) -> None:
    """Decode one sample: it says nothing, but what a bus of another package refuses shows all the same."""
    from wavewright.buses.bus_record import BusRecord
    from wavewright.waveform import Waveform

    still = Waveform.from_volts([0.0], interval=1.0)
    try:
        len(BusRecord(dict.fromkeys(channels, still), bus, then=then, levels=levels, **options).frames)
    except Misuse:
        raise
    except Exception:  # it need not bear a record of one sample
        log.debug("bus `%s` cannot be tried without a record", bus, exc_info=True)
