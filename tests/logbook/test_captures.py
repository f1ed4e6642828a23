from __future__ import annotations

import pickle
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from wavewright.errors import StorageFault, WavewrightError
from wavewright.logbook.captures import CaptureFile, KeptCaptures
from wavewright.waveform import Capture, Waveform

TAKEN = datetime(2026, 1, 15, 9, 30, tzinfo=UTC)


def shot(number: int, *, points: int = 100) -> Capture:
    rail = Waveform(
        np.arange(number, number + points).astype(np.int8),
        gain=0.03125,
        offset=2.0,
        interval=1e-7,
        start=-1e-3,
        name="rail",
        code_range=(-128, 127),
    )
    current = Waveform(
        np.linspace(0, 1, points, dtype=np.float32), interval=1e-7, start=-1e-3, name="in/out %", unit="A"
    )
    settings = {"input1.range": 8.0, "input1.coupling": "dc", "average": False}
    return Capture(
        {"rail": rail, "in/out %": current},
        trigger_time=1e-9,
        triggered=False,
        settings=settings,
        identity="A,B,0,1",
        taken=TAKEN,
    )


@contextmanager
def noting(messages: list[str]) -> Iterator[None]:
    """Go on after an error of ours, and keep what it says; any other goes through."""
    try:
        yield
    except WavewrightError as fault:
        messages.append(str(fault))


@contextmanager
def no_file_larger_than(size: int) -> Iterator[None]:
    """A disk that is full after so many bytes; the system itself refuses the write."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


def test_a_capture_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    file.keep("coil_drive[duty=40 %]", shot(3))
    file.close()

    (back,) = KeptCaptures(path)["coil_drive[duty=40 %]"]
    assert list(back.waveforms) == ["rail", "in/out %"]
    for name, wave in shot(3).waveforms.items():
        assert back[name].codes.dtype == wave.codes.dtype
        assert back[name].codes.tolist() == wave.codes.tolist()
        for what in ("gain", "offset", "interval", "start", "unit", "name", "code_range"):
            assert getattr(back[name], what) == getattr(wave, what)
    for what in ("trigger_time", "triggered", "settings", "identity", "taken"):
        assert getattr(back, what) == getattr(shot(3), what)


def test_shots_and_measurements_keep_their_order(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    for name in ("rail_noise", "coil_drive"):
        for number in range(12):
            file.keep(name, shot(number))
    file.close()

    kept = KeptCaptures(path)
    assert list(kept) == ["rail_noise", "coil_drive"]
    assert [int(one["rail"].codes[0]) for one in kept["rail_noise"]] == list(range(12))
    assert [int(one["rail"].codes[0]) for one in kept["rail_noise"][-2:]] == [10, 11]
    assert "reset_hold" not in kept
    with pytest.raises(IndexError):
        kept["rail_noise"][12]


def test_kept_captures_travel_to_another_process(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    file.keep("rail_noise", shot(1))
    file.close()
    travelled = pickle.loads(pickle.dumps(KeptCaptures(path)))
    assert travelled["rail_noise"][0]["rail"].codes[0] == 1


def test_any_hdf5_reader_follows_the_layout(tmp_path: Path) -> None:
    # h5py itself is the other reader here: the layout in the docstring is all that it knows
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    file.keep("rail_noise", shot(5))
    file.close()
    with h5py.File(path) as raw:
        rail = raw["rail_noise/shot_00000/waveforms/0"]
        volts = rail.attrs["offset"] + rail.attrs["gain"] * rail["codes"][()].astype(float)
        assert rail["codes"].chunks is None
    assert volts[0] == 2.0 + 0.03125 * 5


@pytest.mark.posix("the kernel limits the size of files")
def test_a_full_disk_is_one_clear_message(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    file.keep("rail_noise", shot(1))
    with no_file_larger_than(200_000), pytest.raises(StorageFault) as caught:
        file.keep("rail_noise", shot(2, points=300_000))
    file.abandon()
    assert str(caught.value).startswith(f"{path}: the captures cannot be written: ")
    assert "do: make room" in str(caught.value)


def test_a_file_that_is_not_there_is_one_clear_message(tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be read"):
        len(KeptCaptures(tmp_path / "captures.h5"))


def test_a_damaged_file_is_one_clear_message_wherever_the_damage_is(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    for number in range(2):
        file.keep("rail_noise", shot(number))
    file.close()
    whole = path.read_bytes()
    refused: list[str] = []
    for begin in range(0, len(whole) - 8, 61):
        path.write_bytes(whole[:begin] + b"\xff" * 8 + whole[begin + 8 :])
        with noting(refused):
            for shots in KeptCaptures(path).values():
                list(shots)
    assert len(refused) > 20
    assert all(message.startswith(str(path)) for message in refused)


def test_a_measurement_that_is_not_there_is_a_missing_key(tmp_path: Path) -> None:
    path = tmp_path / "captures.h5"
    file = CaptureFile(path)
    file.keep("rail_noise", shot(0))
    file.close()
    with pytest.raises(KeyError):
        KeptCaptures(path)["coil_drive"]
