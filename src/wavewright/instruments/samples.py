"""Bytes off the wire into codes: a view on what was received wherever the form allows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import BadAnswer
from wavewright.instruments.scpi import OVERLOAD, shorten

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes
    from wavewright.instruments.record_grammar import SampleFormat
    from wavewright.waveform import Codes

_LARGEST_NUMBER = 0.999 * OVERLOAD  # SCPI-99 vol. 1, 7.2.1: from 9.9E37 on it is overload, or no value


def sample_type(form: SampleFormat) -> np.dtype[np.generic]:
    """The type of one sample as it comes; of text, that of the numbers read from it."""
    if form.samples == "ascii":
        return np.dtype(np.float64)
    return np.dtype(form.samples).newbyteorder(">" if form.byte_order == "big" else "<")


def codes_of(data: Bytes, form: SampleFormat, *, invalid: float | None = None) -> Codes:
    """The samples, shape (n,). Integers are a view on `data`; a record with invalid samples becomes floats with NaN.

    Parameters
    ----------
    data : shape (bytes,).
    invalid : the code that stands for "no sample".

    Raises
    ------
    BadAnswer : the bytes are not a whole number of samples, or text that holds something else than numbers.
    """
    if form.samples == "ascii":
        codes = _from_text(data)
    else:
        kind = sample_type(form)
        if data.size % kind.itemsize:
            raise BadAnswer(
                f"{data.size} bytes are not a whole number of samples", expected=f"a multiple of {kind.itemsize}"
            )
        codes = data.view(kind)
    if codes.dtype.kind == "f":
        return _without_specials(codes)
    if invalid is not None and np.any(is_invalid := codes == invalid):
        marked = codes.astype(np.float64)
        marked[is_invalid] = np.nan
        return marked
    return codes


def _from_text(data: Bytes) -> Codes:
    """A comma-separated list; white space around the numbers does no harm."""
    text = data.tobytes().strip()
    try:
        return np.array(text.split(b","), dtype=np.float64) if text else np.empty(0)
    except ValueError:
        raise BadAnswer(f"`{shorten(text)}` is not a list of numbers", expected="numbers between commas") from None


def _without_specials(codes: Codes) -> Codes:
    """Overload and "no value" are not samples: NaN, which is what every metric takes for invalid."""
    with np.errstate(invalid="ignore"):
        special = ~(np.abs(codes) < _LARGEST_NUMBER)
    if not np.any(special):
        return codes
    marked = codes.astype(codes.dtype.newbyteorder("="))
    marked[special] = np.nan
    return marked
