"""SCPI DIF as a file: round trips, and faults with the byte."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms, write_waveforms
from wavewright.waveform import Waveform


@given(
    codes=st.lists(st.integers(-128, 127), max_size=30),
    kinds=st.tuples(*2 * [st.sampled_from([np.int8, np.int16, np.int32, np.int64, np.float32, np.float64])]),
    gain=st.floats(-1e6, 1e6).filter(bool),
    interval=st.floats(1e-15, 1e6),
    start=st.floats(-1e6, 1e6),
    name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1),
)
def test_a_capture_comes_back_whole(tmp_path_factory, *, codes, kinds, gain, interval, start, name) -> None:
    path = tmp_path_factory.mktemp("dif") / "shot.dif"
    first = Waveform(np.array(codes, kinds[0]), gain=gain, interval=interval, start=start, unit="A", name=name)
    second = Waveform(np.array(codes, kinds[1]), offset=gain, interval=interval, start=start, code_range=(-128, 127))
    write_waveforms(path, {name: first, f"{name}2": second})
    again = read_waveforms(path)
    assert list(again) == [name, f"{name}2"]
    for wave, expected in zip(again.values(), (first, second), strict=True):
        assert wave.codes.dtype == expected.codes.dtype
        assert wave.codes.tolist() == expected.codes.tolist()
        for field in ("gain", "offset", "interval", "start", "unit", "code_range"):
            assert getattr(wave, field) == getattr(expected, field), field


def test_every_cut_of_a_file_is_a_fault_with_its_byte(tmp_path: Path) -> None:
    path = tmp_path / "shot.dif"
    write_waveforms(path, {"rail": Waveform(np.arange(9, dtype=np.int16), interval=1.0)})
    whole = path.read_bytes()
    for length in range(len(whole.rstrip())):
        path.write_bytes(whole[:length])
        with pytest.raises(FileFault, match=r"shot.dif, byte \d+: "):
            read_waveform(path)


def test_half_floats_are_refused(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match="codes of type float16"):
        write_waveforms(tmp_path / "a.dif", {"a": Waveform(np.zeros(2, np.float16), interval=1.0)})
