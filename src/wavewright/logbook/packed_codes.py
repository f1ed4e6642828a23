"""Codes in an HDF5 file, packed without loss: one chunk, with the filter that is registered for Zstandard.

The data are a Zstandard frame (RFC 8878), the filter's number is 32015 in the list of the HDF5 Group †: any reader that
has a plugin for it sees plain codes. Here neither is a plugin needed nor are codes copied more often than once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import h5py

ZSTANDARD = 32015
LEVEL = 1  # the higher ones take 10 times as long for a tenth of the size
LARGEST = 2**32 - 1  # bytes of a chunk
SMALLEST = 512  # bytes: of less, the frame and the index of chunks take more than is saved


def write_codes(group: h5py.Group, name: str, codes: np.ndarray[Any, Any]) -> None:
    """Write one row of codes as a dataset; as it is where packing would not make it smaller."""
    import h5py
    import zstandard

    plain = np.ascontiguousarray(codes)
    packed = b""
    if SMALLEST <= plain.nbytes <= LARGEST:
        packed = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True).compress(plain.data.cast("B"))
    if not 0 < len(packed) < plain.nbytes:
        group.create_dataset(name, data=plain)
        return
    layout = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    layout.set_chunk(plain.shape)
    layout.set_filter(ZSTANDARD, h5py.h5z.FLAG_OPTIONAL, (LEVEL,))
    dataset = h5py.h5d.create(
        group.id, name.encode(), h5py.h5t.py_create(plain.dtype), h5py.h5s.create_simple(plain.shape), layout
    )
    dataset.write_direct_chunk((0,) * plain.ndim, packed)


def read_codes(dataset: h5py.Dataset) -> np.ndarray[Any, Any]:
    """The codes of a dataset that `write_codes` has written, or an earlier version without packing.

    Raises
    ------
    OSError : what is there is damaged.
    """
    import zstandard

    layout = dataset.id.get_create_plist()
    if not layout.get_nfilters() or layout.get_filter(0)[0] != ZSTANDARD:
        whole: np.ndarray[Any, Any] = dataset[()]
        return whole
    _, packed = dataset.id.read_direct_chunk((0,) * len(dataset.shape))
    size = dataset.size * dataset.dtype.itemsize
    try:
        if zstandard.frame_content_size(packed) != size:
            raise OSError(f"packed codes of another size than {size} bytes")
        plain = zstandard.ZstdDecompressor().decompress(packed)
    except zstandard.ZstdError as fault:
        raise OSError(f"the packed codes are damaged: {fault}") from fault
    return np.frombuffer(plain, dtype=dataset.dtype).reshape(dataset.shape)
