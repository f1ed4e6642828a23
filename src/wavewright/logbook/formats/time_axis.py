"""The time axis of a file: one interval for all samples, or a refusal that says where it breaks."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from wavewright.errors import FileFault, Misuse, Place
from wavewright.waveform import Floats


def agreed_interval(own: float, given: float | None, *, file: str) -> float:
    """The file's own interval, s, unless the caller's contradicts it.

    Raises
    ------
    Misuse : they differ by more than 1 ppm.
    """
    if given is not None and not math.isclose(own, given, rel_tol=1e-6):
        raise Misuse(
            f"{file}: `interval` is {given:g} s, the file says {own:g} s",
            expected=f"{own:g} s, or no `interval`",
            do="leave it out: it is for files without a time axis",
        )
    return own


def missing_interval(file: str) -> Misuse:
    """The refusal of a file that has no time axis, read without an interval."""
    return Misuse(
        f"{file}: the file does not contain the time between two samples",
        expected="a time axis in the file, or `interval` in s",
        do="give `interval`, such as `interval=1e-6`",
    )


def regular_axis(
    times: Floats, *, resolution: float, file: str, place: Callable[[int], Place | str]
) -> tuple[float, float]:
    """Start and interval, s, of times that are equally spaced but for rounding.

    The interval is that between the first and the last, over the number of steps, so that rounding of the
    printed times averages out.

    Parameters
    ----------
    times : s, shape (n,).
    resolution : s, the smallest step that the file can print; 0 for binary times.
    place : from the index of a sample to where it is.

    Raises
    ------
    FileFault : fewer than two times, times that do not rise, a gap, a slow drift; says at which line.
    """
    if times.size < 2:
        raise FileFault(f"{times.size} samples: no time between two", where=file, expected="at least 2 samples")
    if not np.isfinite(times).all():
        first = int(np.flatnonzero(~np.isfinite(times))[0])
        raise FileFault(f"time `{times[first]}`", where=place(first), expected="a number in every line")
    steps = np.diff(times)
    interval = float(np.median(steps))
    if interval <= 0:
        first = int(np.flatnonzero(steps <= 0)[0]) + 1
        raise FileFault(
            f"time {times[first]:g} s follows {times[first - 1]:g} s",
            where=place(first),
            expected="times that rise from line to line",
            do="print the times with more digits, or leave the column out and give `interval`",
        )
    rounding = 4 * np.spacing(np.abs(times).max()) + resolution
    allowed = min(max(0.01 * interval, 2 * rounding), 0.9 * interval)
    uneven = np.flatnonzero(np.abs(steps - interval) > allowed)
    if uneven.size:
        raise _irregular(times, int(uneven[0]) + 1, interval, place)
    mean = (float(times[-1]) - float(times[0])) / (times.size - 1)
    drift = np.abs(times - (times[0] + mean * np.arange(times.size)))
    if drift.max() > max(0.5 * interval, rounding):  # a time base that changes slowly: no step shows it
        raise _irregular(times, int(drift.argmax()), mean, place)
    return float(times[0]), mean


def _irregular(times: Floats, index: int, interval: float, place: Callable[[int], Place | str]) -> FileFault:
    return FileFault(
        f"irregular time: {times[index]:g} s comes {times[index] - times[index - 1]:g} s after the line before",
        where=place(index),
        expected=f"steps of {interval:g} s throughout",
        do="resample to equal steps, or split the file where the gap is",
    )
