"""Colours: the eight of "Color Universal Design" (J*FLY, 2008 †), safe for the colour-blind, in order."""

from __future__ import annotations

COLOUR_SAFE = ("#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7")
BLACK, ORANGE, SKY_BLUE, BLUISH_GREEN, YELLOW, BLUE, VERMILION, REDDISH_PURPLE = COLOUR_SAFE
INK = BLACK  # on a dark ground the page draws it white


def colour_of(number: int) -> str:
    """The colour of the n-th channel, from 0."""
    return COLOUR_SAFE[number % len(COLOUR_SAFE)]
