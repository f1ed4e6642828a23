"""How a simulated digitizer hands over a record: integers, floats, text; either byte order; plain or in DIF."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.simulation.front_end import Codes
from wavewright.simulation.scpi.elements import Element, Form
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.headers import forms
from wavewright.simulation.scpi.parameter_types import definite_block, number_text

# SCPI-99 volume 2, FORMat †.
LENGTHS = {"ASC": (0,), "INT": (8, 16), "REAL": (32, 64)}
_WORDS = {"ASC": "ASCii", "INT": "INTeger", "REAL": "REAL"}
_DIF_FORMATS = {("INT", 8): "INT8", ("INT", 16): "INT16", ("REAL", 32): "IFP32", ("REAL", 64): "IFP64"}


@dataclass(frozen=True, slots=True)
class RecordFormat:
    """What FORMat says. `is_swapped`: least significant byte first."""

    kind: str = "ASC"
    length: int = 0
    is_swapped: bool = False
    is_wrapped: bool = False


@dataclass(frozen=True, slots=True)
class CodeScale:
    """What a code stands for (volts = offset + gain · code), and the time axis, s."""

    gain: float
    offset: float
    interval: float
    first: float
    name: str


def read_format(elements: tuple[Element, ...]) -> tuple[str, int]:
    """The type and length that `FORMat:DATA` was sent; −224 for what does not exist here."""
    if elements[0].form is not Form.WORD:
        raise ScpiError(-104, "a type is required")
    kind = next((kind for kind, word in _WORDS.items() if elements[0].text in forms(word)), "")
    if not kind:
        raise ScpiError(-224, f"{elements[0].text}, not one of {' '.join(_WORDS.values())}")
    lengths = LENGTHS[kind]
    if len(elements) == 1:
        return kind, lengths[0]
    if elements[1].form is not Form.NUMBER:
        raise ScpiError(-104, "a length is required")
    length = round(elements[1].number)
    if kind == "ASC" and 0 <= length <= 16:
        return kind, 0
    if length not in lengths:
        raise ScpiError(-224, f"length {length}, not one of {' '.join(map(str, lengths))}")
    return kind, length


def record_bytes(codes: Codes, scale: CodeScale, form: RecordFormat) -> bytes | memoryview:
    """A record as response data."""
    if form.kind == "ASC":
        volts = scale.offset + scale.gain * codes.astype(np.float64)
        content: bytes = ",".join(map(number_text, volts.tolist())).encode("ascii")
        return _wrapped(content, len(codes), scale, form) if form.is_wrapped else content
    block = definite_block(_samples(codes, scale, form).data.cast("B"))
    return _wrapped(block, len(codes), scale, form) if form.is_wrapped else block


def _samples(codes: Codes, scale: CodeScale, form: RecordFormat) -> npt.NDArray[np.generic]:
    order = "<" if form.is_swapped else ">"
    if form.kind == "INT":
        # 16-bit codes are left-justified: the same full scale, 256 times as many steps
        return codes if form.length == 8 else (codes.astype(np.int16) * 256).astype(f"{order}i2")
    return (scale.offset + scale.gain * codes.astype(np.float64)).astype(f"{order}f{form.length // 8}")


def _wrapped(values: bytes, count: int, scale: CodeScale, form: RecordFormat) -> bytes:
    """Data Interchange Format, SCPI-99 volume 3 †."""
    gain, offset = (scale.gain, scale.offset) if form.kind == "INT" else (1.0, 0.0)
    gain /= 256.0 if form.length == 16 and form.kind == "INT" else 1.0
    name = _DIF_FORMATS.get((form.kind, form.length), "ASC")
    if form.is_swapped and form.length > 8:
        name = "S" + name.removeprefix("I") if form.kind == "REAL" else "S" + name
    ranged = f" HRAN {127 * (form.length == 8) + 32512 * (form.length == 16)}" if form.kind == "INT" else ""
    ranged += f" LRAN {-128 if form.length == 8 else -32768}" if form.kind == "INT" else ""
    head = (
        f'(DIF (VERS 1999.0) IDEN (NAME "{scale.name}") ENC (FORM {name}{ranged})'
        f' DIM=T (TYPE IMPL SCAL {number_text(scale.interval)} OFFS {number_text(scale.first)} SIZE {count} UNIT "S")'
        f' DIM=Y (TYPE EXPL SCAL {number_text(gain)} OFFS {number_text(offset)} SIZE {count} UNIT "V")'
        " ORD (BY DIM) DATA (CURV (VAL "
    )
    return b"".join((head.encode("ascii"), values, b")))"))
