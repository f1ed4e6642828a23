"""Codes in a store take less room than they are long, come back to the bit, and other programs read them."""

from __future__ import annotations

import h5py
import hdf5plugin  # noqa: F401  registers its filters with the HDF5 library: an independent reader of what we write
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from wavewright.logbook.packed_codes import read_codes, write_codes

TYPES = st.sampled_from([np.dtype(word) for word in ("i1", "u1", "<i2", ">i2", "<u2", "<i4", "<f4", "<f8")])


def file_in_memory() -> h5py.File:
    return h5py.File("codes.h5", "w", driver="core", backing_store=False)


@given(st.data())
def test_codes_come_back_to_the_bit_by_us_and_by_another_reader(data: st.DataObject) -> None:
    kind = data.draw(TYPES)
    shape = data.draw(st.integers(0, 3000))
    few = hnp.arrays(kind, st.integers(1, 20))
    codes = np.resize(data.draw(few), shape)
    with file_in_memory() as file:
        write_codes(file, "codes", codes)
        back = read_codes(file["codes"])
        assert back.dtype == codes.dtype
        assert back.tobytes() == codes.tobytes()
        assert file["codes"][()].tobytes() == codes.tobytes()  # hdf5plugin's own decoder


def test_a_record_of_two_states_takes_a_hundredth_and_noise_no_more_than_it_is_long() -> None:
    rng = np.random.default_rng(1)
    states = np.repeat(rng.choice([-100, 100], 100), 1000).astype(np.int8)
    noise = rng.integers(-128, 128, 100_000).astype(np.int8)
    with file_in_memory() as file:
        for name, codes in (("states", states), ("noise", noise)):
            write_codes(file, name, codes)
        assert file["states"].id.get_storage_size() < states.nbytes / 100
        assert file["noise"].id.get_storage_size() == noise.nbytes


def test_codes_of_earlier_versions_are_read() -> None:
    with file_in_memory() as file:
        file.create_dataset("codes", data=np.arange(5000, dtype=np.int16))
        assert (read_codes(file["codes"]) == np.arange(5000)).all()


@pytest.mark.parametrize("place", [0, 5, 40, -3])
def test_a_damaged_frame_is_refused(place: int) -> None:
    codes = np.tile(np.arange(100, dtype=np.int8), 100)
    with file_in_memory() as file:
        write_codes(file, "codes", codes)
        _, packed = file["codes"].id.read_direct_chunk((0,))
        changed = bytearray(packed)
        changed[place] ^= 0x10
        file["codes"].id.write_direct_chunk((0,), bytes(changed))
        with pytest.raises(OSError, match="packed codes"):
            read_codes(file["codes"])
