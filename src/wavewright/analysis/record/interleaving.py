"""Interleaving: where each of a row of places lies among those of another, such as falling edges among rising ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.waveform import Floats

FEW = 64  # places, up to which the search is as fast as the guess


def places_among(row: Floats, places: Floats, *, side: Literal["left", "right"] = "left") -> npt.NDArray[np.int64]:
    """How many of a row lie before each of some places: the same as `numpy.searchsorted`.

    Edges of two kinds mostly alternate. That is tried first, with two comparisons of the whole rows; where it does not
    hold, each place is searched for.

    Parameters
    ----------
    row, places : ascending.
    side : whether an equal one lies before (`right`) or not.

    Examples
    --------
    >>> places_among(np.array([1.0, 3.0, 5.0]), np.array([2.0, 4.0, 6.0])).tolist()
    [1, 2, 3]
    """
    if places.size > FEW:
        first = int(np.searchsorted(row, places[0], side))
        if first + places.size - 1 <= row.size and _alternates(row, places, first, side):
            return np.arange(first, first + places.size, dtype=np.int64)
    return np.searchsorted(row, places, side).astype(np.int64, copy=False)


def _alternates(row: Floats, places: Floats, first: int, side: str) -> bool:
    """Whether one of the row lies between each two of the places, if `first` of them lie before the first place."""
    after = row[first : first + places.size]
    before, later = row[max(first - 1, 0) : first - 1 + places.size], places[max(1 - first, 0) :]
    if side == "left":
        return bool((after >= places[: after.size]).all() and (before < later).all())
    return bool((after > places[: after.size]).all() and (before <= later).all())
