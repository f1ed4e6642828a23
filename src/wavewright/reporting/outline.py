"""Outline of a record: lowest and highest sample of each stretch, so that a picture never hides a spike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wavewright.waveform import Waveform


@dataclass(frozen=True, slots=True, eq=False)
class TraceOutline:
    """Points of a line that touches everything that the record touches.

    Parameters
    ----------
    values : shape (n,), float32, in the waveform's unit; NaN where a stretch has no valid sample.
    start, step : s; the points are equally spaced.
    is_complete : True where every sample is a point.
    """

    values: npt.NDArray[np.float32]
    start: float
    step: float
    is_complete: bool


def outline(wave: Waveform, *, stretches: int = 2000) -> TraceOutline:
    """Two points per stretch, its lowest and its highest sample; where the record rises the lowest comes first.

    A record of at most two samples per stretch is returned whole. One pass over the codes; only the extremes become
    numbers of the waveform's unit. NaN is left out.
    """
    codes = wave.codes
    if codes.size <= 2 * stretches:
        return TraceOutline(wave.values().astype(np.float32), wave.start, wave.interval, True)
    length = -(-codes.size // stretches)
    firsts = np.arange(0, codes.size, length)
    least, most = _extremes(codes, firsts, length)
    low, high = (wave.offset + wave.gain * ends.astype(np.float64) for ends in (least, most))
    if wave.gain < 0:
        low, high = high, low
    is_rising = np.append(np.diff(low + high) >= 0, True)
    pairs = np.where(is_rising[:, None], np.stack([low, high], 1), np.stack([high, low], 1))
    step = length * wave.interval / 2
    return TraceOutline(pairs.reshape(-1).astype(np.float32), wave.start + step / 2, step, False)


@dataclass(frozen=True, slots=True, eq=False)
class RecordColumns:
    """A record as columns of equal length: lowest, highest and mean sample of each, float32 in the waveform's unit.

    Parameters
    ----------
    start, step : s; middle of the first column, and length of one. The last may have fewer samples.
    """

    lows: npt.NDArray[np.float32]
    highs: npt.NDArray[np.float32]
    means: npt.NDArray[np.float32]
    start: float
    step: float


def record_columns(wave: Waveform, *, columns: int = 2000) -> RecordColumns | None:
    """The columns of a record; None where it has no more than two samples for each, so that it is drawn whole.

    One pass over the codes for each of the three; a column without a valid sample is NaN in all.
    """
    codes = wave.codes
    if codes.size <= 2 * columns:
        return None
    length = -(-codes.size // columns)
    firsts = np.arange(0, codes.size, length)
    least, most = _extremes(codes, firsts, length)
    low, high = (wave.offset + wave.gain * ends.astype(np.float64) for ends in (least, most))
    if wave.gain < 0:
        low, high = high, low
    mean = wave.offset + wave.gain * _means(codes, firsts, length)
    return RecordColumns(
        lows=low.astype(np.float32),
        highs=high.astype(np.float32),
        means=mean.astype(np.float32),
        start=wave.start + (length - 1) * wave.interval / 2,
        step=length * wave.interval,
    )


def _means(codes: npt.NDArray[np.generic], firsts: npt.NDArray[np.intp], length: int) -> npt.NDArray[np.float64]:
    whole = codes.size // length
    table = codes[: whole * length].reshape(whole, length)
    parts = [*([table] if whole else []), *([codes[None, whole * length :]] if whole < firsts.size else [])]
    if codes.dtype.kind != "f":
        means: npt.NDArray[np.float64] = np.concatenate([part.mean(axis=1, dtype=np.float64) for part in parts])
        return means
    sums = [np.nansum(part, axis=1, dtype=np.float64) for part in parts]
    counts = [np.count_nonzero(~np.isnan(part), axis=1) for part in parts]
    with np.errstate(invalid="ignore"):
        means = np.concatenate(sums) / np.concatenate(counts)
    return means


def _extremes(
    codes: npt.NDArray[np.generic], firsts: npt.NDArray[np.intp], length: int
) -> tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]]:
    """Lowest and highest code of each stretch; the last one may be shorter."""
    whole = codes.size // length
    table = codes[: whole * length].reshape(whole, length)
    least_of, most_of = (np.fmin.reduce, np.fmax.reduce) if codes.dtype.kind == "f" else (np.min, np.max)
    least, most = least_of(table, axis=1), most_of(table, axis=1)
    if whole < firsts.size:
        rest = codes[whole * length :]
        least, most = np.append(least, least_of(rest, axis=0)), np.append(most, most_of(rest, axis=0))
    return least, most
