"""Functions that move samples in time."""

from __future__ import annotations

from wavewright.analysis.expressions.functions import Operand, Taken, expression_function
from wavewright.analysis.expressions.library.time_calculus import channel
from wavewright.analysis.signals.resampling import Delayed, Resampled
from wavewright.errors import Misuse


@expression_function(Taken("x"), Taken("delay", "s", is_channel=False))
def delay_by(x: Operand, delay: float) -> Operand:
    """The channel later by `delay`, at the same sampling instants; parts of a sample are interpolated (sin x / x)."""
    return Delayed(channel(x, "delay_by"), delay)


@expression_function(Taken("x"), Taken("rate", "Hz", is_channel=False))
def resample(x: Operand, rate: float) -> Operand:
    """The channel at another sampling rate, band-limited (sin x / x)."""
    if not rate > 0:
        raise Misuse(f"`rate` of `resample` is {rate:g} Hz", expected="above 0 Hz")
    return Resampled(channel(x, "resample"), 1 / rate)
