"""What does not follow from an affine change: the bandwidth of the set-up in an edge, and jitter of the sampling."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence

from wavewright.analysis.doubts import Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.fitting.first_order import rise_time
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.influences import InputOfReading
from wavewright.errors import NotMeasurable

OF_AN_EDGE = 0.8  # of the amplitude, between the usual reference levels of 10 % and 90 %


def terms_of_edges(
    reading: Reading, parts: Collection[Reads], inputs: Sequence[InputOfReading]
) -> tuple[list[Contribution], list[str]]:
    """Contributions of bandwidth and aperture jitter, and what of them is not stated."""
    found, missing = list(_jitter(reading, parts, inputs)), []
    if Reads.TRANSITIONS in parts and reading.unit in ("s", f"{_unit(inputs)}/s") and reading.value:
        stated = [one for one in inputs if one.stated.bandwidth is not None]
        found += [term for one in stated if (term := _bandwidth(reading, one)) is not None]
        missing += [f"bandwidth of `{one.survey.name}`" for one in inputs if one.stated.bandwidth is None]
    return found, missing


def _bandwidth(reading: Reading, one: InputOfReading) -> Contribution | None:
    """How much longer the set-up has made the edge at most: that much the true value may differ.

    An edge is read as √(t² + s²), with s the 0.35/B of the set-up at the lowest bandwidth within its tolerance: common
    practice, no source. The error has one sign; it is taken to either side, so that the interval stays about the value.
    """
    bandwidth = one.stated.bandwidth
    assert bandwidth is not None
    assert reading.value is not None
    edge = abs(reading.value) if reading.unit == "s" else _edge(reading.value, one)
    own = (
        rise_time(bandwidth.value * (1 - min(bandwidth.tolerance or 0.0, 0.9))) if math.isfinite(bandwidth.value) else 0
    )
    if not edge or not own:
        return None
    longer = 1 - math.sqrt(max(0.0, 1 - square(own / edge)))
    of_slope = longer if reading.unit == "s" else 1 / max(1 - longer, 0.1) - 1
    return Contribution(
        f"bandwidth of `{one.survey.name}`",
        abs(reading.value) * of_slope / math.sqrt(3),
        key=f"{one.key}:bandwidth",
        distribution=Distribution.RECTANGULAR,
        source=one.stated.source,
    )


def _edge(slope: float, one: InputOfReading) -> float:
    """Duration of an edge of that slope, s; 0 where the record has no amplitude."""
    try:
        return OF_AN_EDGE * one.survey.levels.amplitude / abs(slope)
    except NotMeasurable:
        return 0.0


def _jitter(reading: Reading, parts: Collection[Reads], inputs: Sequence[InputOfReading]) -> Iterator[Contribution]:
    """Of both ends of a time that was read once; of a mean it is in the scatter of the record already."""
    is_once = reading.count is None or reading.count <= 1
    if reading.unit != "s" or not is_once or not set(parts) & {Reads.EDGES, Reads.TRANSITIONS}:
        return
    jitter = max((one.stated.aperture_jitter or 0.0 for one in inputs), default=0.0)
    if jitter:
        yield Contribution("aperture jitter", math.sqrt(2) * jitter, source=inputs[0].stated.source)


def _unit(inputs: Sequence[InputOfReading]) -> str:
    return inputs[0].survey.unit if inputs else "V"
