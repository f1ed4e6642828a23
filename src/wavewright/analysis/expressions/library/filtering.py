"""Filters: zero-phase ones keep edges where they are, causal ones delay as a circuit does."""

from __future__ import annotations

from wavewright.analysis.expressions.functions import Operand, Taken, expression_function
from wavewright.analysis.expressions.library.time_calculus import channel
from wavewright.analysis.signals.butterworth import Band
from wavewright.analysis.signals.filters import CausalFilter, MovingAverage, ZeroPhaseFilter, butterworth

_CUTOFF = (Taken("x"), Taken("cutoff", "Hz", is_channel=False), Taken("order", "1", is_channel=False, default=2))
_BAND = (
    Taken("x"),
    Taken("low", "Hz", is_channel=False),
    Taken("high", "Hz", is_channel=False),
    Taken("order", "1", is_channel=False, default=2),
)


@expression_function(*_CUTOFF)
def low_pass(x: Operand, cutoff: float, order: float = 2) -> Operand:
    """Butterworth low pass, run forward and backward: no delay, 6 dB at the cut-off."""
    return _zero_phase(x, "lowpass", (cutoff,), order)


@expression_function(*_CUTOFF)
def low_pass_causal(x: Operand, cutoff: float, order: float = 2) -> Operand:
    """Butterworth low pass that delays as a circuit does: 3 dB at the cut-off."""
    return _causal(x, "lowpass", (cutoff,), order)


@expression_function(*_CUTOFF)
def high_pass(x: Operand, cutoff: float, order: float = 2) -> Operand:
    """Butterworth high pass, run forward and backward: no phase, 6 dB at the cut-off."""
    return _zero_phase(x, "highpass", (cutoff,), order)


@expression_function(*_CUTOFF)
def high_pass_causal(x: Operand, cutoff: float, order: float = 2) -> Operand:
    """Butterworth high pass as a circuit: 3 dB at the cut-off."""
    return _causal(x, "highpass", (cutoff,), order)


@expression_function(*_BAND)
def band_pass(x: Operand, low: float, high: float, order: float = 2) -> Operand:
    """Butterworth band pass, run forward and backward: no phase, 6 dB at both ends."""
    return _zero_phase(x, "bandpass", (low, high), order)


@expression_function(*_BAND)
def band_pass_causal(x: Operand, low: float, high: float, order: float = 2) -> Operand:
    """Butterworth band pass as a circuit: 3 dB at both ends."""
    return _causal(x, "bandpass", (low, high), order)


@expression_function(Taken("x"), Taken("span", "s", is_channel=False))
def moving_average(x: Operand, span: float) -> Operand:
    """Mean over a window of `span` centred on each sample."""
    return MovingAverage(channel(x, "moving_average"), span)


def _zero_phase(x: Operand, band: Band, cutoffs: tuple[float, ...], order: float) -> Operand:
    source = channel(x, band)
    return ZeroPhaseFilter(source, butterworth(source, band, cutoffs, order=int(order)))


def _causal(x: Operand, band: Band, cutoffs: tuple[float, ...], order: float) -> Operand:
    source = channel(x, band)
    return CausalFilter(source, butterworth(source, band, cutoffs, order=int(order)))
