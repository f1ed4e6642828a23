"""Attributes and datasets entered by h5py's low level: they are what its high level makes of the same values."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from wavewright.logbook.formats.hdf5_entries import enter_attributes, enter_dataset

VALUES: dict[str, Any] = {
    "range": 8.0,
    "tiny": -5e-324,
    "endless": float("inf"),
    "none": float("nan"),
    "on": True,
    "off": False,
    "empty": "",
    "words": "profile `scpi-digitizer`, 25 °C ± 2 µV",
    "größe": "name outside ASCII",
    "whole": 3,
    "from numpy": np.float64(2.5),
    "range of codes": np.array([-128, 127]),
}


@pytest.fixture
def both(tmp_path: Path) -> Any:
    with h5py.File(tmp_path / "both.h5", "w", track_order=True) as file:
        yield file.create_group("ours"), file.create_group("h5py")


def test_attributes_are_those_of_h5py(both: Any) -> None:
    ours, theirs = both
    enter_attributes(ours, VALUES)
    for name, value in VALUES.items():
        theirs.attrs[name] = value
    assert list(ours.attrs) == list(theirs.attrs)
    for name, value in VALUES.items():
        one, other = ours.attrs.get_id(name), theirs.attrs.get_id(name)
        assert one.get_type().equal(other.get_type())
        assert one.get_space().get_simple_extent_type() == other.get_space().get_simple_extent_type()
        assert one.shape == other.shape
        assert type(ours.attrs[name]) is type(theirs.attrs[name])
        assert np.array_equal(ours.attrs[name], theirs.attrs[name], equal_nan=isinstance(value, float))


@pytest.mark.parametrize("content", ["a\0b", "\ud800"], ids=["NUL", "half a pair"])
def test_what_h5py_refuses_is_refused_alike(both: Any, content: str) -> None:
    faults = []
    for enter in (
        lambda group: enter_attributes(group, {"a": content}),
        lambda group: group.attrs.create("a", content),
    ):
        with pytest.raises(ValueError) as caught:  # noqa: PT011 - of which kind, and in which words, is compared
            enter(both[len(faults)])
        faults.append((type(caught.value), str(caught.value)))
    assert faults[0] == faults[1]


@pytest.mark.parametrize(
    "content",
    [np.arange(-3, 4, dtype=np.int8), np.arange(9, dtype=">i2")[::2], np.array([], np.uint8), np.array([1.5, np.nan])],
    ids=["int8", "every second big-endian", "empty", "float64"],
)
def test_datasets_are_those_of_h5py(both: Any, content: np.ndarray[Any, Any]) -> None:
    made = [
        h5py.Dataset(enter_dataset(both[0], "shot/0/codes", content)),
        both[1].create_dataset("shot/0/codes", data=content),
    ]
    kinds = [
        (
            one.dtype,
            one.shape,
            one.id.get_type().equal(made[0].id.get_type()),
            one.chunks,
            one.compression,
            one.id.get_create_plist().equal(made[1].id.get_create_plist()),
            one.parent.id.get_create_plist().equal(made[1].parent.id.get_create_plist()),
            one.name.removeprefix(one.name[: one.name.index("shot")]),
            one[()].tobytes(),
        )
        for one in made
    ]
    assert kinds[0] == kinds[1]
    assert made[0][()].tobytes() == content.tobytes()
