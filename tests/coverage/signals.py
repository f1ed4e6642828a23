"""Signals of which everything is known in closed form: a sine, a train of trapezoids, and exponential edges.

Each is a function of time in seconds, drawn anew for every capture, and knows the true values of what can be measured
on it. Levels and times are exact (math); integrals over a record are those of the function, not of its samples.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Instants = np.ndarray
Antiderivative = Callable[[float], float]


@dataclass(frozen=True)
class Sine:
    """offset + amplitude · (sin(ωt + phase) + share · sin(3ωt + 3·phase + other))."""

    offset: float
    amplitude: float
    period: float
    phase: float
    share: float = 0.0
    other: float = 0.0

    def __call__(self, t: Instants) -> np.ndarray:
        turn = 2 * np.pi * t / self.period + self.phase
        third = self.share * np.sin(3 * turn + self.other) if self.share else 0.0
        return self.offset + self.amplitude * (np.sin(turn) + third)

    def delayed(self, by: float) -> Sine:
        return Sine(
            self.offset,
            self.amplitude,
            self.period,
            self.phase - 2 * math.pi * by / self.period,
            self.share,
            self.other,
        )

    def mean(self, first: float, last: float) -> float:
        """Over a stretch of time; of a sine without its third harmonic."""
        omega = 2 * math.pi / self.period
        swing = math.cos(omega * first + self.phase) - math.cos(omega * last + self.phase)
        return self.offset + self.amplitude * swing / (omega * (last - first))

    def mean_square(self, first: float, last: float) -> float:
        omega = 2 * math.pi / self.period
        doubled = math.sin(2 * (omega * last + self.phase)) - math.sin(2 * (omega * first + self.phase))
        of_sine = 0.5 - doubled / (4 * omega * (last - first))
        about = self.mean(first, last) - self.offset
        return self.offset**2 + 2 * self.offset * about + self.amplitude**2 * of_sine


@dataclass(frozen=True)
class Trapezoids:
    """A pulse train of straight edges: `width` and `period` from middle to middle, `rise` and `fall` from foot to top.

    `bump` is the height of an overshoot over the amplitude, which rises and decays after each rising edge as
    x·exp(1 − x), x the time since the top over `bump_time`: its peak is smooth, and is the bump exactly.
    """

    low: float
    high: float
    rise: float
    fall: float
    width: float
    period: float
    begin: float
    bump: float = 0.0
    bump_time: float = 1.0

    def __call__(self, t: Instants) -> np.ndarray:
        place = np.mod(t - self.begin, self.period)  # 0 at the foot of the rising edge
        top = self.rise / 2 + self.width - self.fall / 2
        shape = np.clip(place / self.rise, 0.0, 1.0) - np.clip((place - top) / self.fall, 0.0, 1.0)
        if self.bump:
            x = np.maximum(place - self.rise, 0.0) / self.bump_time
            shape = shape + self.bump * x * np.exp(1 - x) * (place < top)
        return self.low + (self.high - self.low) * shape

    def delayed(self, by: float) -> Trapezoids:
        return Trapezoids(
            self.low,
            self.high,
            self.rise,
            self.fall,
            self.width,
            self.period,
            self.begin + by,
            self.bump,
            self.bump_time,
        )

    def _corners(self, first: float, last: float) -> np.ndarray:
        top = self.rise / 2 + self.width - self.fall / 2
        cycles = np.arange(
            math.floor((first - self.begin) / self.period), math.ceil((last - self.begin) / self.period) + 1
        )
        corners = self.begin + cycles[:, None] * self.period + np.array([0.0, self.rise, top, top + self.fall])
        inside = corners[(corners > first) & (corners < last)]
        return np.concatenate([[first], np.sort(inside.ravel()), [last]])

    def mean(self, first: float, last: float) -> float:
        """Over a stretch of time; of a train without overshoot: straight between its corners."""
        corners = self._corners(first, last)
        values = self(corners)
        return float(np.sum(np.diff(corners) * (values[1:] + values[:-1]) / 2)) / (last - first)

    def mean_square(self, first: float, last: float) -> float:
        corners = self._corners(first, last)
        a, b = self(corners)[:-1], self(corners)[1:]
        return float(np.sum(np.diff(corners) * (a * a + a * b + b * b) / 3)) / (last - first)


@dataclass(frozen=True)
class Exponentials:
    """A square wave after a single pole: towards `high` for `width`, towards `low` for the rest of the period.

    The states last so many time constants that what is missing to them is beyond 1e-6 of the amplitude.
    """

    low: float
    high: float
    tau: float
    width: float
    period: float
    begin: float

    def __call__(self, t: Instants) -> np.ndarray:
        place = np.mod(t - self.begin, self.period)
        rising = 1 - np.exp(-place / self.tau)
        falling = np.exp(-np.maximum(place - self.width, 0.0) / self.tau)
        return self.low + (self.high - self.low) * np.where(place < self.width, rising, falling)

    def delayed(self, by: float) -> Exponentials:
        return Exponentials(self.low, self.high, self.tau, self.width, self.period, self.begin + by)

    def _over_shape(self, first: float, last: float, power: int) -> float:
        """Integral of the shape (0 … 1) or of its square."""

        def since_begin(t: float) -> float:
            cycles, place = divmod(t - self.begin, self.period)
            return cycles * within(self.period) + within(place)

        def within(place: float) -> float:
            up = min(place, self.width)
            decay, tau = math.exp(-up / self.tau), self.tau
            total = up - tau * (1 - decay)
            if power == 2:
                total = up - 2 * tau * (1 - decay) + tau / 2 * (1 - decay**2)
            if place > self.width:
                total += tau / power * (1 - math.exp(-power * (place - self.width) / tau))
            return total

        return since_begin(last) - since_begin(first)

    def mean(self, first: float, last: float) -> float:
        return self.low + (self.high - self.low) * self._over_shape(first, last, 1) / (last - first)

    def mean_square(self, first: float, last: float) -> float:
        step, span = self.high - self.low, last - first
        once, twice = (self._over_shape(first, last, power) / span for power in (1, 2))
        return self.low**2 + 2 * self.low * step * once + step**2 * twice


Signal = Sine | Trapezoids | Exponentials
