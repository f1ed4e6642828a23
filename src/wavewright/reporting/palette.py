"""Colours: the palette of Okabe and Ito (2008; from memory, not verified), in its own order."""

from __future__ import annotations

OKABE_ITO = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")
BLACK, ORANGE, SKY_BLUE, BLUISH_GREEN, YELLOW, BLUE, VERMILION, REDDISH_PURPLE = OKABE_ITO
INK = BLACK  # on a dark ground the page draws it white


def colour_of(number: int) -> str:
    """The colour of the n-th channel, from 0."""
    return OKABE_ITO[number % len(OKABE_ITO)]
