"""Numbers of a picture as JSON: a few as a list, many as deflated little-endian bytes that the page unpacks."""

from __future__ import annotations

import base64
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Waveform

FEW = 32  # numbers; as text they are shorter than packed
Numbers = npt.NDArray[Any]


def as_document(value: object) -> Any:
    """A value as JSON takes it; a dataclass by its fields and its `kind`, a number that is not finite as null."""
    match value:
        case Enum():
            return value.value
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else None
        case np.ndarray():
            return packed(value)
        case Waveform():
            return _record(value)
        case Mapping():
            return {str(key): as_document(one) for key, one in value.items()}
        case _ if is_dataclass(value):
            content = {one.name: as_document(getattr(value, one.name)) for one in fields(value)}
            return {"kind": type(value).__name__.removesuffix("Mark").removesuffix("Layer").lower(), **content}
        case tuple() | list():
            return [as_document(one) for one in value]
    return as_document(value.item()) if isinstance(value, np.generic) else str(value)


def as_script_text(document: Any) -> str:
    """JSON that may be inside a script element of HTML."""
    # `</script>` inside would end the element, `<!--` would change how it is read
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c")


def packed(numbers: Numbers) -> Any:
    """An array; of two dimensions row by row, its shape beside it."""
    if numbers.ndim == 1 and numbers.size <= FEW:
        return [as_document(one) for one in numbers.tolist()]
    little = np.ascontiguousarray(numbers, dtype=numbers.dtype.newbyteorder("<"))
    letter = {"f": "Float", "u": "Uint", "i": "Int"}[little.dtype.kind]
    return {
        "array": f"{letter}{8 * little.dtype.itemsize}Array",
        "shape": list(little.shape),
        "packed": base64.b64encode(zlib.compress(little.tobytes(), 9)).decode("ascii"),
    }


def narrow(counts: Numbers) -> Numbers:
    """Counts in the least unsigned kind that holds them."""
    most = int(counts.max(initial=0))
    return counts.astype(next(kind for kind in (np.uint8, np.uint16, np.uint32) if most <= np.iinfo(kind).max))


def _record(wave: Waveform) -> dict[str, Any]:
    codes = wave.codes.astype(np.float32) if wave.codes.dtype.kind == "f" else wave.codes
    wide = codes.astype(np.int32) if codes.dtype.itemsize > 4 else codes
    return {
        "codes": packed(wide),
        "gain": wave.gain,
        "offset": wave.offset,
        "start": wave.start,
        "interval": wave.interval,
    }
