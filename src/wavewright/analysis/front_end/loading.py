"""What the probe takes away at the point that it touches, where the recipe says how much that can give."""

from __future__ import annotations

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding, Reads
from wavewright.analysis.examined_reading import Read
from wavewright.analysis.front_end.edge_speed import (
    DURATIONS,
    MEANS,
    RULE_IS_OFF,
    TIMES_FASTER,
    as_time,
    is_between_edges_of_bus,
    reach_of_time,
    share_of_edge,
    without_set_up,
)
from wavewright.analysis.front_end.front_end import FrontEnd, repeating_frequency, tone_frequency
from wavewright.analysis.front_end.probe_loading import Probe, ProbedNode, expected_loading
from wavewright.analysis.record.survey import Survey
from wavewright.quantities import show_quantity

NOTICEABLE = 0.01  # of the voltage; common practice, no source


def probe_loading(read: Read) -> Finding | None:
    """A voltage that the tip has lowered, or an edge that its capacitance has made slower."""
    for survey, front_end in read.pairs:
        if front_end is None or front_end.probe is None or read.reading.value is None:
            continue
        if read.reading.unit == "F":
            found = _added(read, front_end.probe)
        elif front_end.source is None:
            continue
        elif read.metric in DURATIONS:
            found = _slowed(read, survey, front_end)
        elif is_between_edges_of_bus(read):
            found = _moved(read, front_end)
        elif read.reading.unit == survey.unit and read.parts & (EXTREMES | LEVELS | {Reads.SAMPLES, Reads.SPECTRUM}):
            found = _lowered(read, survey, front_end.source, front_end.probe)
        else:
            found = None
        if found is not None:
            return found
    return None


def loaded_share(probe: Probe, node: ProbedNode, frequency: float | None) -> float:
    """Which share of a voltage the probe takes away: at rest or, where that is more, at a frequency in Hz."""
    loading = expected_loading(probe, node, frequency=frequency)
    return max(-loading.dc_change, -(loading.amplitude_change or 0.0))


def described(probe: Probe, node: ProbedNode) -> str:
    """The two, in words."""
    parts = (show_quantity(probe.resistance, "ohm"), show_quantity(probe.capacitance, "F"))
    return f"a probe of {' and '.join(parts)} on {show_quantity(node.resistance, 'ohm')}"


def _lowered(read: Read, survey: Survey, node: ProbedNode, probe: Probe) -> Finding | None:
    frequency = None
    if read.metric not in MEANS:  # which only the resistance changes
        frequency = tone_frequency(survey) if Reads.SPECTRUM in read.parts else repeating_frequency(survey)
    share = loaded_share(probe, node, frequency)
    if share < NOTICEABLE:
        return None
    at = "" if frequency is None else f" at {show_quantity(frequency, 'Hz')}"
    missing = abs(read.reading.value or 0.0) * share / (1 - share)
    is_negative = (read.reading.value or 0.0) < 0
    text = f"{described(probe, node)} takes {100 * share:.2g} % of the voltage{at}"
    return Finding(Doubt.PROBE_LOADING, text, missing * is_negative, missing * (not is_negative), decides=False)


def _added(read: Read, probe: Probe) -> Finding | None:
    """The capacitance of the tip in that of a line."""
    whole = float(read.reading.value or 0.0)
    if probe.capacitance < NOTICEABLE * whole:
        return None
    text = f"the {show_quantity(probe.capacitance, 'F')} of a probe are in the {show_quantity(whole, 'F')}"
    return Finding(Doubt.PROBE_LOADING, text, probe.capacitance, 0.0, decides=False)


def _moved(read: Read, front_end: FrontEnd) -> Finding | None:
    """A time between edges of which one is slower for the capacitance of the tip, and the other need not be."""
    time, own = as_time(read), front_end.loading_edge
    if time >= TIMES_FASTER * own or front_end.source is None or front_end.probe is None:
        return None
    text = (
        f"{described(front_end.probe, front_end.source)} takes {show_quantity(own, 's')} for a step, and "
        f"{show_quantity(time, 's')} between edges is read"
    )
    return Finding.within(Doubt.PROBE_LOADING, text, reach_of_time(read, own))


def _slowed(read: Read, survey: Survey, front_end: FrontEnd) -> Finding | None:
    duration, edge = float(read.reading.value or 0.0), front_end.loading_edge * share_of_edge(read, survey)
    if duration >= TIMES_FASTER * edge or front_end.source is None or front_end.probe is None:
        return None
    text = (
        f"{described(front_end.probe, front_end.source)} takes {show_quantity(edge, 's')} for a step, and "
        f"{show_quantity(duration, 's')} is read"
    )
    lowest = without_set_up(duration, RULE_IS_OFF * edge)
    return Finding(Doubt.PROBE_LOADING, text, duration - lowest, 0.0, decides=False)
