"""The Data Interchange Format: waveforms with their scales as one nested expression, on the wire or in a file.

SCPI-99 volume 3 †. Read as a general nested list: short and
long forms, unknown blocks passed over, white space anywhere outside strings and blocks.

    (DIF (VERSion 1999.0) ENCode (FORMat INT16)
     DIMension=T  (TYPE IMPLicit SCALe 1E-06 OFFSet 0 SIZE 4 UNITs "S")
     DIMension=C1 (TYPE EXPLicit SCALe 0.001 OFFSet 0 SIZE 4 UNITs "V")
     ORDer (BY DIMension) DATA (CURVe (VALues #18‹8 bytes›)))

A value is SCALe · code + OFFSet; the code of the implicit dimension is the index 0, 1, 2, …
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from wavewright.errors import BadAnswer, Misuse
from wavewright.instruments.dif_expression import (
    Item,
    following,
    list_after,
    number_after,
    parse_dif,
    string_after,
    word_after,
)
from wavewright.waveform import Codes, Waveform

_NOT_A_NUMBER, _INFINITY = 9.91e37, 9.9e37  # SCPI-99 vol. 1, 7.2.1.5 and 7.2.1.4 †
_UNITS = {"S": "s", "HZ": "Hz", "OHM": "ohm"}
_FORMATS: Mapping[str, str] = {
    **{f"INT{bits}": f">i{bits // 8}" for bits in (8, 16, 32, 64)},
    **{f"SINT{bits}": f"<i{bits // 8}" for bits in (8, 16, 32, 64)},
    **{f"UINT{bits}": f">u{bits // 8}" for bits in (8, 16, 32, 64)},
    **{f"SUINT{bits}": f"<u{bits // 8}" for bits in (8, 16, 32, 64)},
    **{f"IFP{bits}": f">f{bits // 8}" for bits in (32, 64)},
    **{f"SFP{bits}": f"<f{bits // 8}" for bits in (32, 64)},
}


@dataclass(frozen=True, slots=True)
class DifDimension:
    """One axis or channel: value = offset + scale · code; `codes` is None for the implicit one and in a preamble."""

    label: str
    name: str
    unit: str
    is_implicit: bool
    scale: float
    offset: float
    size: int
    code_range: tuple[float, float] | None
    codes: Codes | None


def read_dif(message: bytes) -> tuple[DifDimension, ...]:
    """The dimensions of a DIF expression, with their codes if it has any.

    Raises
    ------
    BadAnswer : it is cut short, garbled, or contradicts itself; `where` is the byte.
    """
    items = parse_dif(message)
    blocks = [item for word, item in following(items, "DIMension") if isinstance(item, list)]
    labels = [word.label for word, item in following(items, "DIMension") if isinstance(item, list)]
    if not blocks:
        raise BadAnswer("a DIF expression without dimensions", expected="at least one block `DIMension=… (…)`")
    encoding = list_after(items, "ENCode")
    forms = [(list_after(block, "ENCode") or encoding, block) for block in blocks]
    dimensions = [_dimension(label, block, form) for label, (form, block) in zip(labels, forms, strict=True)]
    values = list_after(list_after(list_after(items, "DATA"), "CURVe"), "VALues", in_place=True)
    if not values:
        return tuple(dimensions)
    explicit = [i for i, dimension in enumerate(dimensions) if not dimension.is_implicit]
    by_tuple = word_after(list_after(items, "ORDer"), "BY", "DIMension").is_short_or_long("TUPLe")
    split = _split_values(
        values, [dimensions[i] for i in explicit], [_format_of(forms[i][0]) for i in explicit], by_tuple=by_tuple
    )
    for i, codes in zip(explicit, split, strict=True):
        old = dimensions[i]
        dimensions[i] = DifDimension(
            *(old.label, old.name, old.unit, False, old.scale, old.offset, codes.size, old.code_range, codes)
        )
    return tuple(dimensions)


def waveforms_of(dimensions: tuple[DifDimension, ...]) -> dict[str, Waveform]:
    """Waveforms by name (or label) over the implicit dimension, which must be a time.

    Raises
    ------
    BadAnswer : no implicit time axis, or dimensions without samples.
    """
    axis = next((dimension for dimension in dimensions if dimension.is_implicit and dimension.unit == "s"), None)
    if axis is None or axis.scale <= 0:
        raise BadAnswer("no implicit dimension in seconds", expected='`DIMension=… (TYPE IMPLicit … UNITs "S")`')
    waves: dict[str, Waveform] = {}
    for dimension in dimensions:
        if dimension.is_implicit:
            continue
        if dimension.codes is None:
            raise BadAnswer(f"dimension `{dimension.label}` has no samples", expected="`DATA (CURVe (VALues …))`")
        name = dimension.name or dimension.label
        try:
            waves[name] = Waveform(
                dimension.codes,
                gain=dimension.scale,
                offset=dimension.offset,
                interval=axis.scale,
                start=axis.offset,
                unit=dimension.unit,
                name=name,
                code_range=dimension.code_range,
            )
        except Misuse as fault:
            raise BadAnswer(fault.what, expected=fault.expected) from fault
    return waves


def dif_waveform(answer: bytes, number: int, *, where: str) -> Waveform:
    """The waveform of an input from a DIF expression: the only one in it, or the one whose label ends in the number.

    Raises
    ------
    BadAnswer : no such waveform, or the expression does not parse.
    """
    try:
        dimensions = read_dif(answer)
        waves = waveforms_of(dimensions)
    except BadAnswer as fault:
        raise BadAnswer(f"{fault.what} ({fault.where})", where=where, expected=fault.expected) from fault
    explicit = [dimension.label for dimension in dimensions if not dimension.is_implicit]
    for label, wave in zip(explicit, waves.values(), strict=True):
        if len(waves) == 1 or label.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz_") == str(number):
            return wave
    raise BadAnswer(
        f"no waveform of input {number} among {', '.join(explicit) or 'none'}", where=where, expected="such as `C1`"
    )


def write_dif(waves: Mapping[str, Waveform], *, name: str = "", taken: datetime | None = None) -> bytes:
    """One DIF expression of waveforms on one time axis: codes as they are, most significant byte first.

    Raises
    ------
    Misuse : waveforms on different time axes, or a type of code that the format does not have.
    """
    first = next(iter(waves.values()))
    dimensions, blocks = [], []
    for number, (channel, wave) in enumerate(waves.items(), start=1):
        if (len(wave), wave.interval, wave.start) != (len(first), first.interval, first.start):
            raise Misuse(f"`{channel}` is not on the time axis of `{next(iter(waves))}`", expected="one axis for all")
        stored = wave.codes.dtype.newbyteorder(">")
        form = next((word for word, code in _FORMATS.items() if np.dtype(code) == stored), None)
        if form is None:
            raise Misuse(f"codes of type {wave.codes.dtype}", expected=f"one of {', '.join(_FORMATS)}")
        span = "" if wave.code_range is None else " LRANge {!r} HRANge {!r}".format(*wave.code_range)
        dimensions.append(
            f"DIMension=C{number} (TYPE EXPLicit SCALe {float(wave.gain)!r} OFFSet {float(wave.offset)!r} "
            f"SIZE {len(wave)} UNITs {_quoted(wave.unit)} NAME {_quoted(channel)} ENCode (FORMat {form}{span}))"
        )
        blocks.append(wave.codes.astype(stored, copy=False).tobytes())
    identity = f" NAME {_quoted(name)}" if name else ""
    if taken is not None:
        identity += f" DATE {taken.year},{taken.month},{taken.day} TIME {taken.hour},{taken.minute},{taken.second}"
    size = str(sum(map(len, blocks)))
    head = (
        f"(DIF (VERSion 1999.0) IDENtify ({identity.strip()})\n"
        f"DIMension=T (TYPE IMPLicit SCALe {float(first.interval)!r} OFFSet {float(first.start)!r} "
        f'SIZE {len(first)} UNITs "S")\n' + "\n".join(dimensions) + "\n"
        f"ORDer (BY DIMension) DATA (CURVe (VALues #{len(size)}{size}"
    )
    return head.encode() + b"".join(blocks) + b")))\n"


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _dimension(label: str, block: list[Item], encoding: list[Item]) -> DifDimension:
    unit = string_after(block, "UNITs")
    low, high = number_after(encoding, "LRANge", np.nan), number_after(encoding, "HRANge", np.nan)
    return DifDimension(
        label=label,
        name=string_after(block, "NAME"),
        unit=_UNITS.get(unit.upper(), unit),
        is_implicit=word_after(block, "TYPE", "EXPLicit").is_short_or_long("IMPLicit"),
        scale=number_after(block, "SCALe", 1.0),
        offset=number_after(block, "OFFSet", 0.0),
        size=_count(number_after(block, "SIZE", 0)),
        code_range=(low, high) if low < high else None,
        codes=None,
    )


def _format_of(encoding: list[Item]) -> np.dtype[Any] | None:
    """The type of the samples in a block; None for numbers in text."""
    word = word_after(encoding, "FORMat", "ASCii")
    if word.is_short_or_long("ASCii"):
        return None
    if word.upper() not in _FORMATS:
        raise BadAnswer(f"samples in format `{word}`", expected=f"ASCii or one of {', '.join(_FORMATS)}")
    return np.dtype(_FORMATS[word.upper()])


def _split_values(
    values: list[Item], dimensions: list[DifDimension], formats: list[np.dtype[Any] | None], *, by_tuple: bool
) -> list[Codes]:
    """Samples of every explicit dimension, in native byte order."""
    if isinstance(values[0], bytes):
        kinds = [kind for kind in formats if kind is not None]
        if len(kinds) != len(formats):
            raise BadAnswer("samples in a block, the format says ASCii", expected="a comma list, or another format")
        columns = _columns_of_block(b"".join(v for v in values if isinstance(v, bytes)), dimensions, kinds, by_tuple)
    else:
        numbers = np.array([v for v in values if isinstance(v, float)])
        columns = _columns_of_block(numbers.tobytes(), dimensions, [numbers.dtype] * len(dimensions), by_tuple)
    return [_with_nan(column.astype(column.dtype.newbyteorder("="))) for column in columns]


def _count(size: float) -> int:
    if not 0 <= size < 2**53:
        raise BadAnswer(f"SIZE {size:g}", expected="the number of samples")
    return int(size)


def _columns_of_block(
    block: bytes, dimensions: list[DifDimension], kinds: list[np.dtype[Any]], by_tuple: bool
) -> list[Codes]:
    frame = sum(kind.itemsize for kind in kinds)
    if not frame:
        raise BadAnswer("samples, and no dimension that they belong to", expected="a DIMension block with a FORMat")
    count, rest = divmod(len(block), frame)
    if rest or any(dimension.size not in (0, count) for dimension in dimensions):
        raise BadAnswer(
            f"{len(block)} bytes of samples for {' + '.join(str(d.size) for d in dimensions)} samples",
            expected=f"SIZE times {frame} bytes",
        )
    if by_tuple:
        table = np.frombuffer(block, dtype=[(f"f{i}", kind) for i, kind in enumerate(kinds)])
        return [table[f"f{i}"] for i in range(len(kinds))]
    starts = np.cumsum([0, *(count * kind.itemsize for kind in kinds)])
    return [np.frombuffer(block, kind, count, int(start)) for kind, start in zip(kinds, starts[:-1], strict=True)]


def _with_nan(codes: Codes) -> Codes:
    """SCPI's numbers for "no number" and infinity, in samples that are floats."""
    if codes.dtype.kind != "f":
        return codes
    plain = codes.copy()
    relative = 1e-6 if codes.dtype.itemsize == 4 else 1e-12
    plain[np.isclose(codes, _NOT_A_NUMBER, rtol=relative, atol=0)] = np.nan
    for sign in (-1, 1):
        plain[np.isclose(codes, sign * _INFINITY, rtol=relative, atol=0)] = sign * np.inf
    return plain
