"""Against numpy.searchsorted, whose numbers these are."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.analysis.record import interleaving
from wavewright.analysis.record.interleaving import places_among

Side = Literal["left", "right"]
SIDES = st.sampled_from(["left", "right"])
PLACES = st.lists(st.integers(0, 30).map(float), max_size=25).map(sorted)


@given(row=PLACES, places=PLACES, side=SIDES)
def test_any_places_are_found(row: list[float], places: list[float], side: Side) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(interleaving, "FEW", 0)
        found = places_among(np.array(row), np.array(places), side=side)
    assert found.dtype == np.int64
    assert found.tolist() == np.searchsorted(row, places, side=side).tolist()


@given(first=st.integers(0, 3), more=st.integers(-3, 3), shift=st.sampled_from([0.0, 0.5]), side=SIDES)
def test_places_that_alternate_are_found(first: int, more: int, shift: float, side: Side) -> None:
    places = np.arange(0.0, 200.0)
    row = np.arange(-float(first), 200.0 + more) + shift
    for one, other in ((row, places), (row[::2], places[::2]), (np.delete(row, 90), places)):
        assert places_among(one, other, side=side).tolist() == np.searchsorted(one, other, side=side).tolist()
