"""Noise of a record: what its samples scatter by, whatever the signal beneath does slowly."""

from __future__ import annotations

import math

import numpy as np

from wavewright.waveform import Codes

STRETCHES = 16
STRETCH = 1024

MEDIAN_OF_NORMAL = 0.6744897501960817  # median of |x| for a standard normal x (math)


def noise_code(codes: Codes) -> float:
    """Standard deviation of white noise on a record, in codes; 0 where most samples repeat their neighbours.

    From the median size of the second difference x[k−1] − 2·x[k] + x[k+1], whose variance under white noise is 6 times
    that of a sample (math), over at most 16 stretches of 1024 samples. The median leaves out the transitions. A signal
    of few samples a period counts as noise in part.
    """
    firsts = np.linspace(0, max(codes.size - STRETCH, 0), STRETCHES).astype(np.int64)
    stretches = [codes[first : first + STRETCH].astype(np.float64) for first in np.unique(firsts)]
    sizes = np.abs(np.concatenate([np.diff(stretch, 2) for stretch in stretches if stretch.size > 2] or [np.empty(0)]))
    sizes = sizes[np.isfinite(sizes)]
    if not sizes.size:
        return 0.0
    return float(np.partition(sizes, sizes.size // 2)[sizes.size // 2]) / (MEDIAN_OF_NORMAL * math.sqrt(6))
