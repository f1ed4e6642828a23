"""What somebody would write in NumPy for the same numbers: volts in float64, one array operation after the other.

Nothing in it is slow on purpose: levels by a histogram, hysteresis and interpolation without a loop, every array that
two metrics need computed once.
"""

from __future__ import annotations

import numpy as np


def plain_script(codes: np.ndarray, gain: float, offset: float, interval: float) -> dict[str, float]:
    """The level, transition, pulse and amplitude metrics of one record, by name."""
    volts = codes.astype(np.float64) * gain + offset
    found = {
        "minimum": volts.min(),
        "maximum": volts.max(),
        "mean": volts.mean(),
        "rms": np.sqrt(np.mean(volts**2)),
        "ac_rms": volts.std(),
        "rectified_mean": np.mean(np.abs(volts)),
    }
    found["peak_to_peak"] = found["maximum"] - found["minimum"]
    found["crest_factor"] = max(abs(found["minimum"]), abs(found["maximum"])) / found["rms"]
    found["form_factor"] = found["rms"] / found["rectified_mean"]

    span = int(np.rint(found["peak_to_peak"] / gain))
    bins = np.arange(span + 2) * gain + found["minimum"] - gain / 2 if span < 256 else 256
    counts, edges = np.histogram(volts, bins)
    centres = (edges[:-1] + edges[1:]) / 2
    half = counts.size // 2
    low, high = centres[counts[:half].argmax()], centres[half + counts[half:].argmax()]
    amplitude = high - low
    found |= {"low_level": low, "high_level": high, "amplitude": amplitude}

    at = {share: crossings(volts, low + share * amplitude, 0.1 * amplitude) for share in (0.1, 0.3, 0.5, 0.7, 0.9)}
    rising, falling = at[0.5]
    found |= {"rising_edges": rising.size, "falling_edges": falling.size}
    found["cycles"] = rising.size - 1
    found["period"] = np.mean(np.diff(rising)) * interval
    found["frequency"] = 1 / found["period"]
    falls = falling[np.searchsorted(falling, rising[:-1])]
    widths, periods = falls - rising[:-1], np.diff(rising)
    found["duty_factor"] = np.mean(widths / periods)
    positive, negative = pulse_widths(rising, falling), pulse_widths(falling, rising)
    found["positive_pulse_width"] = positive.mean() * interval
    found["negative_pulse_width"] = negative.mean() * interval
    found["longest_pulse"], found["shortest_pulse"] = positive.max() * interval, positive.min() * interval
    found["pulses"] = positive.size
    found["glitches"] = sum(np.sum(each < np.median(each) / 4) for each in (positive, negative))
    above = volts > low + 0.5 * amplitude
    found["time_above"] = np.count_nonzero(above) * interval
    found["time_below"] = (volts.size - np.count_nonzero(above)) * interval
    found["runts"] = runts(at[0.3][0], at[0.3][1], at[0.7][0]) + runts(at[0.7][1], at[0.7][0], at[0.3][1])

    starts, ends = pairs(at[0.1][0], rising, at[0.9][0])
    found["rise_time"] = np.mean(ends - starts) * interval
    found["slew_rate"] = np.mean(0.8 * amplitude / ((ends - starts) * interval))
    fall_starts, fall_ends = pairs(at[0.9][1], falling, at[0.1][1])
    found["fall_time"] = np.mean(fall_ends - fall_starts) * interval

    turns = np.concatenate([[0.0], np.sort(np.concatenate([rising, falling])), [volts.size - 1.0]])
    middles = (turns[:-1] + turns[1:]) / 2
    found["overshoot"] = np.mean(np.maximum(beside(np.maximum, volts, ends, middles) - high, 0)) / amplitude
    found["undershoot"] = np.mean(np.maximum(low - beside(np.minimum, volts, fall_ends, middles), 0)) / amplitude
    first, last = int(np.ceil(rising[0])), int(rising[-1]) + 1
    found["cycle_mean"] = volts[first:last].mean()
    found["cycle_rms"] = np.sqrt(np.mean(volts[first:last] ** 2))
    return {name: float(value) for name, value in found.items()}


def crossings(volts: np.ndarray, level: float, hysteresis: float) -> tuple[np.ndarray, np.ndarray]:
    """Rising and falling crossings of a level with hysteresis, in samples."""
    state = np.zeros(volts.size, dtype=np.int8)
    state[volts > level + hysteresis / 2] = 1
    state[volts < level - hysteresis / 2] = -1
    known = np.flatnonzero(state)
    turns = np.flatnonzero(np.diff(state[known]))
    ups = state[known[turns + 1]] > 0
    before = np.flatnonzero(np.diff(volts > level))
    places = before + (level - volts[before]) / (volts[before + 1] - volts[before])
    first = places[np.searchsorted(before, known[turns])]
    last = places[np.searchsorted(before, known[turns + 1]) - 1]
    middle = (first + last) / 2
    return middle[ups], middle[~ups]


def pulse_widths(opens: np.ndarray, closes: np.ndarray) -> np.ndarray:
    closes = closes[closes > opens[0]]
    return closes - opens[: closes.size]


def pairs(before: np.ndarray, middles: np.ndarray, after: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    begins, finishes = np.searchsorted(before, middles) - 1, np.searchsorted(after, middles)
    whole = (begins >= 0) & (finishes < after.size)
    return before[begins[whole]], after[finishes[whole]]


def beside(extreme: np.ufunc, volts: np.ndarray, begins: np.ndarray, middles: np.ndarray) -> np.ndarray:
    ends = middles[np.searchsorted(middles, begins)]
    marks = np.stack([np.ceil(begins), np.floor(ends) + 1], axis=1).ravel().astype(int)
    return extreme.reduceat(volts, marks[:-1])[::2]


def runts(leaves: np.ndarray, returns: np.ndarray, arrives: np.ndarray) -> int:
    back = np.searchsorted(returns, leaves)
    leaves, back = leaves[back < returns.size], back[back < returns.size]
    arrived = np.append(arrives, np.inf)[np.searchsorted(arrives, leaves)] < returns[back]
    return int(np.count_nonzero(~arrived))
