"""Envelopes: what a fast signal reaches within a window."""

from __future__ import annotations

from wavewright.analysis.expressions.functions import Operand, Taken, expression_function
from wavewright.analysis.expressions.library.time_calculus import channel
from wavewright.analysis.signals.envelope import Envelope

_WINDOW = (Taken("x"), Taken("span", "s", is_channel=False))


@expression_function(*_WINDOW)
def envelope(x: Operand, span: float) -> Operand:
    """Amplitude within a window of `span` centred on each sample: half of highest minus lowest."""
    return Envelope(channel(x, "envelope"), span, "amplitude")


@expression_function(*_WINDOW)
def upper_envelope(x: Operand, span: float) -> Operand:
    """Highest value within a window of `span` centred on each sample."""
    return Envelope(channel(x, "upper_envelope"), span, "upper")


@expression_function(*_WINDOW)
def lower_envelope(x: Operand, span: float) -> Operand:
    """Lowest value within a window of `span` centred on each sample."""
    return Envelope(channel(x, "lower_envelope"), span, "lower")
