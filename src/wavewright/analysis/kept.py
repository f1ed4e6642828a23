"""What has been found out about a waveform once is kept with its survey: spectra, fits and the like."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

from wavewright.analysis.survey import Survey

T = TypeVar("T")


def kept(survey: Survey, key: Hashable, find: Callable[[], T]) -> T:
    """What `find` returns, called once for each record and key; several metrics then share it."""
    found: dict[Hashable, T] = vars(survey.record).setdefault("_kept", {})  # shared by all choices of state levels
    if key not in found:
        found[key] = find()
    return found[key]
