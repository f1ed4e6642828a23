"""What SMBus bounds and I2C does not: the slowest clock, and how long the clock may rest high or low in a transfer."""

from __future__ import annotations

import numpy as np

from wavewright.buses.i2c.timing import Found, clock_frequency, clock_line, i2c_quantity, low_period
from wavewright.buses.i2c.transitions import I2cSurvey

SOURCE = "SMBus 2.0, class of 100 kHz †"


@i2c_quantity(SOURCE, lines=clock_line)
def slowest_clock_frequency(bus: I2cSurvey) -> Found:
    """SMBus operating frequency: as `clock_frequency`; the lowest."""
    return clock_frequency(bus)


@i2c_quantity(SOURCE, lines=clock_line)
def longest_high_period(bus: I2cSurvey) -> Found:
    """HIGH period of the clock in a transfer, without those in which it starts or stops; the longest."""
    rises, falls = bus.scl.rises[1], bus.scl.falls[0]
    place = np.searchsorted(falls, rises)
    rises, ends = rises[place < falls.size], falls[place[place < falls.size]]
    conditions = np.sort(np.concatenate([bus.starts[1], bus.stops[1]]))
    inside = np.searchsorted(conditions, ends) == np.searchsorted(conditions, rises)
    return rises[inside], (ends - rises)[inside]


@i2c_quantity(SOURCE, lines=clock_line)
def longest_low_period(bus: I2cSurvey) -> Found:
    """LOW period of the clock, stretched or not, which a time-out of 25 ms to 35 ms ends; the longest."""
    return low_period(bus)
