"""Whatever the tests of the buses decode also keeps to the words that the bus states, or the test fails."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from wavewright.analysis.record.found_once import computed_once
from wavewright.buses.bus_record import BusRecord
from wavewright.buses.frames import Frames
from wavewright.buses.line.columns import ABSENT, Numbers
from wavewright.buses.vocabulary import Holds

MOST_LOOKED_AT = 200  # frames, one by one


def assert_keeps_to_its_words(frames: Frames) -> None:
    says = frames.says
    if says is None or not len(frames):
        return
    occurring = {word for word, where in frames.errors_by_word.items() if where.any()}
    assert occurring <= set(says.errors), occurring - set(says.errors)
    kinds = {frames.kinds.words[code] for code in np.unique(frames.kinds.codes).tolist() if code >= 0}
    assert kinds <= set(says.kinds), kinds - set(says.kinds)
    for name, column in frames.columns.items():
        if name.startswith("_"):
            continue
        assert name in says.fields, name
        field = says.fields[name]
        if isinstance(column, Numbers):
            assert (column.values.dtype == np.bool_) == (field.holds is Holds.FLAG), name
        values = column.take(np.arange(min(len(frames), MOST_LOOKED_AT))).to_list()
        for value in [value for value in values if value is not ABSENT]:
            kind = {bool: Holds.FLAG, bytes: Holds.BYTES, tuple: Holds.LIST, str: Holds.TEXT}.get(type(value))
            assert kind is field.holds or (kind is None and field.holds in (Holds.NUMBER, Holds.TIME)), (name, value)
            if kind is None:
                assert field.least <= value <= field.most, (name, value)
            if field.words:
                assert value in field.words, (name, value)


@pytest.fixture(autouse=True, scope="package")
def decoding_keeps_to_its_words() -> Iterator[None]:
    real = BusRecord.__dict__["frames"]

    def checked(decoded: BusRecord) -> Frames:
        frames: Frames = real.func(decoded)
        assert_keeps_to_its_words(frames)
        return frames

    wrapped = computed_once(checked)
    wrapped.__set_name__(BusRecord, "frames")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(BusRecord, "frames", wrapped)
        yield
