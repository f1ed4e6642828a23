"""WAV files: SciPy's own test files, broken ones, and round trips."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path

import numpy as np
import pytest
import scipy.io
from hypothesis import given
from hypothesis import strategies as st
from scipy.io import wavfile

from wavewright.errors import FileFault, Misuse
from wavewright.logbook.formats.catalogue import read_waveform, read_waveforms, write_waveforms
from wavewright.waveform import Waveform

# SciPy 1.17.1, io/tests/data: files with known contents, asserted in SciPy's own io/tests/test_wavfile.py
DATA = Path(scipy.io.__file__).parent / "tests" / "data"
WAVS = ["test-44100Hz-2ch-32bit-float-be", "test-44100Hz-2ch-32bit-float-le", "test-44100Hz-be-1ch-4bytes"]
WAVS += ["test-44100Hz-le-1ch-4bytes", "test-44100Hz-le-1ch-4bytes-rf64", "test-48000Hz-2ch-64bit-float-le-wavex"]
WAVS += ["test-8000Hz-be-3ch-5S-24bit", "test-8000Hz-le-2ch-1byteu", "test-8000Hz-le-3ch-5S-24bit"]
WAVS += ["test-8000Hz-le-3ch-5S-24bit-rf64", "test-8000Hz-le-4ch-9S-12bit", "test-8000Hz-le-5ch-9S-5bit"]
WAVS += ["test-1234Hz-le-1ch-10S-20bit-extra"]


def fitted_sine(wave: Waveform, frequency: float) -> tuple[float, float, float]:
    """Amplitude, mean and residual rms of the best sine of that frequency, by linear least squares."""
    phase = 2 * np.pi * frequency * wave.interval * np.arange(len(wave))
    basis = np.column_stack([np.sin(phase), np.cos(phase), np.ones(len(wave))])
    (sine, cosine, mean), *_ = np.linalg.lstsq(basis, wave.values(), rcond=None)
    residual = wave.values() - basis @ [sine, cosine, mean]
    return float(np.hypot(sine, cosine)), float(mean), float(np.sqrt(np.mean(residual**2)))


@pytest.mark.parametrize("name", WAVS)
def test_the_codes_are_those_that_scipy_reads(name: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)  # it does not know the chunk `PEAK`
        rate, samples = wavfile.read(DATA / f"{name}.wav")
    waves = list(read_waveforms(DATA / f"{name}.wav").values())
    columns = samples.reshape(len(samples), -1)
    assert len(waves) == columns.shape[1]
    for wave, column in zip(waves, columns.T, strict=True):
        # SciPy aligns 3 bytes to the left of an int32; our codes are the converter's own
        shift = 8 if wave.codes.dtype == np.int32 and wave.gain > 2**-25 else 0
        expected = column >> shift if shift else column
        np.testing.assert_array_equal(wave.codes, expected)
        assert wave.interval == 1 / rate


@pytest.mark.parametrize("order", ["le", "be"])
def test_float_samples_are_a_sine(order: str) -> None:
    wave = read_waveform(DATA / f"test-44100Hz-2ch-32bit-float-{order}.wav")
    assert len(wave) == 441
    assert wave.values(0, 2).tolist() == pytest.approx([0, 0.05011868], abs=1e-8)
    amplitude, _, residual = fitted_sine(wave, 440.0)
    assert amplitude == pytest.approx(0.8, abs=1e-7)
    assert residual < 1e-7
    # 4.4 cycles: the rms is not 0.8 / sqrt(2)
    assert np.sqrt(np.mean(wave.values() ** 2)) == pytest.approx(0.5703037, abs=1e-6)


def test_an_extensible_header_with_64_bit_floats() -> None:
    wave = read_waveform(DATA / "test-48000Hz-2ch-64bit-float-le-wavex.wav")
    assert (len(wave), wave.codes.dtype) == (480, np.float64)
    assert wave.codes.min() == pytest.approx(-0.80000001, abs=1e-8)
    assert wave.codes.max() == pytest.approx(0.79990131, abs=1e-8)
    assert wave.codes.mean() == pytest.approx(0.0518437, abs=1e-7)
    assert fitted_sine(wave, 440.0)[2] < 1e-7


@pytest.mark.parametrize("kind", ["le-3ch-5S-24bit", "be-3ch-5S-24bit", "le-3ch-5S-24bit-rf64"])
def test_packed_24_bit_codes(kind: str) -> None:
    waves = list(read_waveforms(DATA / f"test-8000Hz-{kind}.wav").values())
    # SciPy, io/tests/test_wavfile.py, in codes that are left-aligned in 32 bits
    columns = [[-2147483648, -1073741824, 0, 1073741824, 2147483392]]
    columns += [[-2147483392, -1073741568, 0, 1073741568, 2147483392], [-512, -256, 0, 256, 512]]
    for wave, column in zip(waves, columns, strict=True):
        assert (wave.codes.astype(np.int64) * 256).tolist() == column
        assert wave.code_range == (-(2**23), 2**23 - 1)
    assert waves[0].values()[0] == -1.0  # the lowest code is full scale


@pytest.mark.parametrize("kind", ["le-1ch-4bytes", "be-1ch-4bytes", "le-1ch-4bytes-rf64"])
def test_32_bit_codes_of_a_tone(kind: str) -> None:
    wave = read_waveform(DATA / f"test-44100Hz-{kind}.wav")
    assert (wave.codes.dtype, len(wave)) == (np.int32, 4410)
    assert np.abs(wave.codes.astype(np.int64)).max() == 1513966498
    assert fitted_sine(wave, 1000.0)[0] == pytest.approx(0.705, abs=1e-5)


def test_8_bit_codes_are_offset_binary() -> None:
    wave = read_waveform(DATA / "test-8000Hz-le-2ch-1byteu.wav")
    assert (wave.codes.dtype, wave.codes.min(), wave.codes.max()) == (np.uint8, 38, 218)
    assert wave.code_range == (0, 255)
    amplitude, mean, residual = fitted_sine(wave, 999.9985)
    assert amplitude * 128 == pytest.approx(89.182, abs=2e-3)
    assert mean * 128 + 128 == pytest.approx(127.987, abs=2e-3)
    assert residual * 128 == pytest.approx(0.595, abs=2e-3)


def test_unused_bits_show_in_the_code_range() -> None:
    twelve = read_waveform(DATA / "test-8000Hz-le-4ch-9S-12bit.wav")
    assert twelve.code_range == (-32768, 32752)
    assert (twelve.codes.min(), twelve.codes.max()) == twelve.code_range
    five = read_waveform(DATA / "test-8000Hz-le-5ch-9S-5bit.wav")
    assert five.code_range == (0, 248)
    assert (five.codes.min(), five.codes.max()) == five.code_range


BROKEN = [
    ("44100Hz-le-1ch-4bytes-early-eof", r"byte 72: chunk `data` says 17640 bytes, the file has 944 more"),
    ("44100Hz-le-1ch-4bytes-early-eof-no-data", r"byte \d+: no chunk `data`"),
    ("44100Hz-le-1ch-4bytes-incomplete-chunk", r"byte \d+: (is cut short|breaks off|chunk)"),
    ("8000Hz-le-1ch-1byte-ulaw", r"byte 20: samples in form 0x0007: compressed"),
    ("8000Hz-le-3ch-5S-24bit-inconsistent", r"byte 20: 3 channels of 24 bits"),
]


@pytest.mark.parametrize("name, message", BROKEN, ids=[name for name, _ in BROKEN])
def test_a_broken_file_gives_one_clear_fault(name: str, message: str) -> None:
    with pytest.raises(FileFault, match=message) as fault:
        read_waveforms(DATA / f"test-{name}.wav")
    assert f"test-{name}.wav, byte" in str(fault.value)


def test_a_file_of_another_kind_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "trace.wav"
    path.write_bytes(b"time,rail\n0,1\n1,2\n")
    with pytest.raises(FileFault, match=r"byte 0: begins with .*: not a WAV file"):
        read_waveforms(path)


@given(cut=st.integers(0, 230))
def test_a_file_cut_anywhere_gives_a_fault_and_no_wrong_samples(tmp_path_factory, cut: int) -> None:
    folder = tmp_path_factory.mktemp("cut")
    write_waveforms(folder / "whole.wav", {"a": Waveform(np.arange(20, dtype=np.int16), interval=1e-3, name="a")})
    whole = (folder / "whole.wav").read_bytes()
    (folder / "cut.wav").write_bytes(whole[: min(cut, len(whole) - 1)])
    with pytest.raises(FileFault):
        read_waveforms(folder / "cut.wav")


@pytest.mark.parametrize("kind", [np.uint8, np.int8, np.int16, np.uint16, np.int32, np.uint32])
def test_codes_at_both_ends_of_their_type_survive(tmp_path: Path, kind: type) -> None:
    ends = np.iinfo(kind)
    wave = Waveform(np.array([ends.min, 0, 1, ends.max], kind), interval=1e-6, code_range=(ends.min, ends.max))
    write_waveforms(tmp_path / "trace.wav", {"rail": wave})
    again = read_waveform(tmp_path / "trace.wav", channel="rail")
    assert again.codes.dtype == kind
    assert again.codes.tolist() == wave.codes.tolist()
    assert again.code_range == wave.code_range


@given(
    codes=st.lists(st.tuples(st.integers(-128, 127), st.integers(-128, 127)), max_size=33),
    gain=st.floats(1e-9, 1e3),
    interval=st.floats(1e-12, 1.0),
    start=st.floats(-1.0, 1.0),
    name=st.text(min_size=1, max_size=20),
)
def test_a_capture_comes_back_whole(tmp_path_factory, *, codes, gain, interval, start, name) -> None:
    path = tmp_path_factory.mktemp("wav") / "trace.wav"
    table = np.array(codes, np.int8).reshape(-1, 2)
    first = Waveform(table[:, 0], gain=gain, offset=-gain, interval=interval, start=start, unit="A", name=name)
    second = Waveform(table[:, 1], gain=-gain, interval=interval, start=start, name="reset", code_range=(-128, 127))
    write_waveforms(path, {"coil": first, "reset": second})
    again = read_waveforms(path)
    for key, wave in (("coil", first), ("reset", second)):
        assert again[key].codes.dtype == np.int8
        for field in ("gain", "offset", "interval", "start", "unit", "name", "code_range"):
            assert getattr(again[key], field) == getattr(wave, field)
        assert again[key].codes.tolist() == wave.codes.tolist()


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.int32, np.float32, np.float64])
def test_other_programs_can_read_what_we_write(tmp_path: Path, kind: type) -> None:
    codes = np.arange(101).astype(kind)
    write_waveforms(tmp_path / "trace.wav", {"a": Waveform(codes, interval=1 / 48000)})
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # SciPy warns of chunks that it does not know
        rate, samples = wavfile.read(tmp_path / "trace.wav")  # SciPy 1.17.1
    assert rate == 48000
    np.testing.assert_array_equal(samples, codes)


def test_channels_of_different_length_are_refused(tmp_path: Path) -> None:
    waves = {"a": Waveform(np.zeros(3, np.int8), interval=1.0), "b": Waveform(np.zeros(4, np.int8), interval=1.0)}
    with pytest.raises(Misuse, match="3 × int8, 4 × int8"):
        write_waveforms(tmp_path / "trace.wav", waves)


def test_a_stream_of_unknown_length_is_read_to_the_end(tmp_path: Path) -> None:
    form = struct.pack("<HHIIHH", 1, 1, 1000, 2000, 2, 16)
    head = b"RIFF\xff\xff\xff\xffWAVEfmt " + struct.pack("<I", 16) + form + b"data\xff\xff\xff\xff"
    (tmp_path / "pipe.wav").write_bytes(head + np.arange(5, dtype="<i2").tobytes())
    assert read_waveform(tmp_path / "pipe.wav").codes.tolist() == [0, 1, 2, 3, 4]


def test_a_chunk_of_odd_length_is_padded(tmp_path: Path) -> None:
    form = struct.pack("<HHIIHH", 1, 1, 1000, 1000, 1, 8)
    chunks = b"fmt " + struct.pack("<I", 16) + form + b"note" + struct.pack("<I", 3) + b"abc\0"
    chunks += b"data" + struct.pack("<I", 3) + bytes([127, 128, 129]) + b"\0"
    (tmp_path / "odd.wav").write_bytes(b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)
    assert read_waveform(tmp_path / "odd.wav").codes.tolist() == [127, 128, 129]


DAMAGES = [
    ('"gain": 1.0', '"gain": "x"', "the scale of a channel is incomplete or damaged"),
    ('"unit"', '"Unit"', "incomplete or damaged: 'unit'"),
    ('"int16"', '"int99"', "codes of type `int99`"),
    ("[{", "[[", "the comment with the scales is broken"),
    ('"code_range": null', '"code_range": true', "incomplete or damaged"),
]


@pytest.mark.parametrize("old, new, message", DAMAGES, ids=[row[2] for row in DAMAGES])
def test_a_damaged_comment_is_a_fault(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "trace.wav"
    write_waveforms(path, {"a": Waveform(np.arange(5, dtype=np.int16), interval=1e-3, name="a")})
    assert old.encode() in path.read_bytes()
    path.write_bytes(path.read_bytes().replace(old.encode(), new.encode()))
    with pytest.raises(FileFault, match=message):
        read_waveform(path)
