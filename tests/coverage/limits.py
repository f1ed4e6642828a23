"""How many of so many readings may hold the truth if the interval is what it says, and where more is no fault."""

from __future__ import annotations

from collections.abc import Mapping

from scipy.stats import binom

LOWEST, HIGHEST = 0.93, 0.97  # of what an interval of 95 % may really cover
BOUNDED = 0.99  # where an effect is bounded and cannot be random
CHANCE = 1e-4  # that an honest cell falls out, on either side


def fewest(count: int) -> int:
    """Hits below which the interval is too narrow."""
    return int(binom.ppf(CHANCE, count, LOWEST))


def most(count: int, share: float = HIGHEST) -> int:
    """Hits above which it is too wide."""
    return int(binom.ppf(1 - CHANCE, count, share))


def highest(metric: str, signal: str) -> float:
    """The largest share of readings that may hold the truth, on a kind of signal or in a set of readings together."""
    if (metric, signal) in NEVER_TOO_WIDE:
        return 1.0
    return BOUNDED if (metric, signal) in WIDER or signal in BOUNDED_SETS else HIGHEST


LIFTED = "noise lifts extremes always outwards: the interval is symmetric about the value and reaches as far that way"
CHORD = "the straight line between samples is off by a bound that depends on the phase and is taken as rectangular"
ROUNDED = "the level of a state is a code, taken as rectangular, though noise moves it among several"
LEAKED = "leakage of the image is bounded, and taken at its largest"

WIDER: Mapping[tuple[str, str], str] = {
    ("maximum", "trapezoids"): LIFTED,
    ("minimum", "trapezoids"): LIFTED,
    ("peak_to_peak", "trapezoids"): LIFTED,
    ("maximum", "exponentials"): LIFTED,
    ("minimum", "exponentials"): LIFTED,
    ("peak_to_peak", "exponentials"): LIFTED,
    ("peak_to_peak", "sine"): LIFTED,
    ("high_level", "sine"): LIFTED,
    ("low_level", "sine"): LIFTED,
    ("amplitude", "sine"): LIFTED,
    ("rise_time", "sine"): LIFTED,
    ("fall_time", "sine"): LIFTED,
    ("slew_rate", "sine"): LIFTED,
    ("overshoot", "bumps"): LIFTED,
    ("maximum", "bumps"): LIFTED,
    ("strongest_tone", "sine"): LEAKED,
    ("strongest_tone", "distorted"): LEAKED,
    **{
        (metric, shape): CHORD
        for shape in ("trapezoids", "exponentials")
        for metric in (
            "rise_time", "fall_time", "slew_rate", "period", "frequency", "positive_pulse_width",
            "negative_pulse_width", "shortest_pulse", "longest_pulse", "duty_factor", "time_between", "delay",
        )
    },
    **{
        (metric, "sine"): ROUNDED
        for metric in (
            "positive_pulse_width", "negative_pulse_width", "duty_factor", "time_between", "delay",
            "period", "frequency",
        )
    },
}  # fmt: skip
"""Metrics, and signals, on which more than 97 % is no fault, with the reason."""

IN_DOUBT = (
    "every such reading on a sine, and nearly every one of an overshoot this small, is in doubt, which stops a pass"
)
COARSE = "the levels of both records are codes, and their difference is one of a few whole numbers of codes"
NEVER_TOO_WIDE: Mapping[tuple[str, str], str] = {
    ("rise_time", "sine"): IN_DOUBT,
    ("fall_time", "sine"): IN_DOUBT,
    ("overshoot", "bumps"): IN_DOUBT,
    ("change of the high level", "difference"): COARSE,
}
"""What may hold the truth always, with the reason."""
BOUNDED_SETS = ("difference", "mean of 16", "corrected")
"""Readings together, of trapezoids: what bounds each of their readings bounds them too."""
