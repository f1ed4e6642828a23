"""Files damaged at random: waveforms or one clear fault, and never anything else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import WavewrightError
from wavewright.logbook.formats.catalogue import read_waveforms, write_waveforms
from wavewright.waveform import Waveform

ROUNDS = 200


@pytest.mark.parametrize("suffix", [".csv", ".wav", ".h5", ".npz", ".dif"])
def test_bytes_changed_or_lost_give_waveforms_or_one_fault(tmp_path: Path, suffix: str) -> None:
    # given a file of two channels
    path = tmp_path / f"shot{suffix}"
    rail = Waveform(np.arange(20, dtype=np.int16), gain=0.1, interval=1e-3, name="rail", code_range=(-5, 5))
    write_waveforms(path, {"rail": rail, "reset": Waveform(rail.codes, interval=1e-3, name="reset")})
    whole = path.read_bytes()
    chance = np.random.default_rng(204)
    for _ in range(ROUNDS):
        # when up to three bytes are changed, and sometimes the end is lost
        damaged = bytearray(whole)
        for place in chance.integers(len(whole), size=chance.integers(1, 4)):
            damaged[place] = chance.integers(256)
        path.write_bytes(damaged[: len(whole) if chance.random() < 0.8 else chance.integers(len(whole))])
        # then reading it ends well or in our own words
        try:
            waves = read_waveforms(path)
        except WavewrightError as fault:
            message = str(fault)
            assert path.name in message
        else:
            assert waves


HEADS = [
    ("start 0.0 s, interval x s", "time axis"),
    ("start nan s, interval 1.0 s", "time axis"),
    ("start 0.0 s, interval -1.0 s", "time axis"),
]


@pytest.mark.parametrize("axis, message", HEADS, ids=[row[0] for row in HEADS])
def test_a_garbled_time_axis_of_our_own_tables_is_told_with_its_line(tmp_path: Path, axis: str, message: str) -> None:
    (tmp_path / "shot.csv").write_text(f"# axis: {axis}\ntime (s),rail (V)\n0,1\n1,2\n")
    with pytest.raises(WavewrightError, match=rf"shot.csv:1: {message}"):
        read_waveforms(tmp_path / "shot.csv")


def test_a_scale_of_nothing_is_a_fault_of_the_file(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "shot.h5"
    write_waveforms(path, {"rail": Waveform(np.arange(3), interval=1.0)})
    with h5py.File(path, "r+") as file:
        file["waveforms/0"].attrs["gain"] = 0.0
    with pytest.raises(WavewrightError, match=r"shot.h5: waveform ``: gain 0, offset 0"):
        read_waveforms(path)
