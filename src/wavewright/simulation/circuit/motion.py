"""A voltage over time in closed form: lines and decaying oscillations between events, and steady tones.

First-order filters map such a voltage exactly onto another one, so bandwidth, coupling and loading need no sampling
and hold at every sample rate. With p = 2π·corner, a low-pass p/(s + p) answers (math: Laplace transform)

    a step A               with   A · (1 − e^(−pt))
    a ramp R·t             with   R · (t − 1/p + e^(−pt)/p)
    a mode B·e^(qt)        with   B · p/(q + p) · (e^(qt) − e^(−pt))
    a tone at frequency f  with   1/(1 + j2πf/p) times its phasor

and a resonance H(s) = ω²/((s − r)(s − r̄)), r = −ω/(2Q) + jω√(1 − 1/(4Q²)), answers a step with A·H(0), a ramp with
R·(t + H′(0)), a mode with B·H(q)·e^(qt), each with oscillations at r and r̄ by the residues there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

_FORGOTTEN = 36.0  # time constants after which a mode has fallen below the resolution of a float
_BLOCK = 1 << 18


@dataclass(frozen=True, slots=True)
class Sinusoid:
    """Re(phasor · e^(j2πft)), t in s on the bench's clock."""

    frequency: float
    phasor: complex


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """A voltage. Before the first event it is at `base`; each event adds a step, a change of slope, and modes.

    Parameters
    ----------
    base : V.
    times : moments of the events, s, ascending, shape (k,).
    steps : V, shape (k,).
    slopes : change of slope at each event, V/s, shape (k,).
    modes : pole (1/s, real part below 0) → complex amplitude that each event adds, V, shape (k,); the real part counts.
    tones : steady oscillations, without beginning or end.
    """

    base: float = 0.0
    times: Floats = field(default_factory=lambda: np.empty(0))
    steps: Floats = field(default_factory=lambda: np.empty(0))
    slopes: Floats = field(default_factory=lambda: np.empty(0))
    modes: dict[complex, Complexes] = field(default_factory=dict)
    tones: tuple[Sinusoid, ...] = ()

    def scaled(self, gain: float) -> Motion:
        """The voltage times a number."""
        return replace(
            self,
            base=gain * self.base,
            steps=gain * self.steps,
            slopes=gain * self.slopes,
            modes={pole: gain * jumps for pole, jumps in self.modes.items()},
            tones=tuple(Sinusoid(tone.frequency, gain * tone.phasor) for tone in self.tones),
        )

    def shifted(self, volts: float) -> Motion:
        """The voltage plus a constant."""
        return replace(self, base=self.base + volts)

    def settled_on(self, volts: float) -> Motion:
        """The same voltage from the first event on, but one that has been at `volts` until then."""
        if not len(self.times):
            return self
        steps = self.steps.copy()
        steps[0] += self.base - volts
        return replace(self, base=volts, steps=steps)

    def low_passed(self, corner: float) -> Motion:
        """What a first-order low-pass makes of it; `corner` in Hz. Settled on `base` before the first event."""
        pole, weights = self._against(2 * math.pi * corner)
        modes: dict[complex, Any] = {other: jumps * weights[other] for other, jumps in self.modes.items()}
        modes[complex(-pole)] = -self.steps + self.slopes / pole - sum(modes.values(), start=np.zeros(len(self.times)))
        return replace(
            self,
            steps=self.steps - self.slopes / pole,
            modes=modes,
            tones=tuple(Sinusoid(t.frequency, t.phasor / (1 + 2j * math.pi * t.frequency / pole)) for t in self.tones),
        )

    def high_passed(self, corner: float) -> Motion:
        """What a first-order high-pass makes of it; `corner` in Hz. Settled on `base` before the first event."""
        low = self.low_passed(corner)
        modes = {pole: self.modes.get(pole, 0.0) - jumps for pole, jumps in low.modes.items()}
        tones = tuple(
            Sinusoid(mine.frequency, mine.phasor - other.phasor)
            for mine, other in zip(self.tones, low.tones, strict=True)
        )
        return Motion(0.0, self.times, self.steps - low.steps, np.zeros_like(self.slopes), modes, tones)

    def resonated(self, frequency: float, quality: float) -> Motion:
        """What a second-order low-pass makes of it: a series inductance and resistance, and a capacitance across.

        Settled on `base` before the first event.

        Parameters
        ----------
        frequency : Hz, of the undamped circuit; quality : above 0.5, so that it oscillates.
        """
        turn = 2 * math.pi * frequency
        pole = complex(-turn / (2 * quality), turn * math.sqrt(1 - 1 / (4 * quality**2)))

        def response(s: complex) -> complex:
            return turn**2 / ((s - pole) * (s - pole.conjugate()))

        beside = turn**2 / (pole - pole.conjugate())  # residue of the resonance itself at its pole
        rings = 2 * beside * (self.steps / pole + self.slopes / pole**2)
        modes: dict[complex, Complexes] = {}
        for other, jumps in self.modes.items():
            moved = other if abs(other - pole) > 1e-6 * turn else other * (1 + 1e-4)
            modes[other] = jumps * response(moved)
            # the real part counts: what turns at the conjugate pole turns, conjugated, at this one
            rings = rings + jumps * beside / (pole - moved)
            rings = rings + np.conj(jumps * beside.conjugate() / (pole.conjugate() - moved))
        modes[pole] = modes.get(pole, np.zeros(len(self.times), complex)) + rings
        return replace(
            self,
            steps=self.steps - self.slopes / (quality * turn),
            modes=modes,
            tones=tuple(Sinusoid(t.frequency, t.phasor * response(2j * math.pi * t.frequency)) for t in self.tones),
        )

    def _against(self, pole: float) -> tuple[float, dict[complex, complex]]:
        """The pole, moved aside where a mode has the same one already, and p/(q + p) for each mode."""
        while any(abs(other + pole) < 1e-6 * pole for other in self.modes):
            pole *= 1.0 + 1e-4
        return pole, {other: pole / (other + pole) for other in self.modes}

    def plus(self, other: Motion) -> Motion:
        """The sum of two voltages."""
        times = np.concatenate((self.times, other.times))
        order = np.argsort(times, kind="stable")
        mine, theirs = len(self.times), len(other.times)
        poles = [*self.modes, *(pole for pole in other.modes if pole not in self.modes)]

        def joined(first: npt.NDArray[np.generic] | None, second: npt.NDArray[np.generic] | None) -> Complexes:
            left = np.zeros(mine, complex) if first is None else first
            right = np.zeros(theirs, complex) if second is None else second
            return np.concatenate((left, right))[order].astype(complex)

        return Motion(
            self.base + other.base,
            times[order],
            np.concatenate((self.steps, other.steps))[order],
            np.concatenate((self.slopes, other.slopes))[order],
            {pole: joined(self.modes.get(pole), other.modes.get(pole)) for pole in poles},
            self.tones + other.tones,
        )

    def sampled(self, start: float, interval: float, count: int) -> Floats:
        """Volts at `count` moments from `start`, `interval` apart, in s: shape (count,)."""
        return Sampler(self).take(start, interval, count)


def polyline(times: Sequence[float] | Floats, volts: Sequence[float] | Floats) -> Motion:
    """Straight lines between points; constant before the first and after the last. Times ascending, s; volts, V.

    Two points at one moment are a step.
    """
    moments, levels = np.asarray(times, dtype=float), np.asarray(volts, dtype=float)
    if len(moments) == 0:
        return Motion()
    gaps, rises = np.diff(moments), np.diff(levels)
    is_step = gaps <= 0
    slopes_between = np.divide(rises, gaps, out=np.zeros_like(rises), where=~is_step)
    around = np.concatenate(([0.0], slopes_between, [0.0]))
    steps = np.concatenate(([0.0], np.where(is_step, rises, 0.0)))
    return Motion(float(levels[0]), moments, steps, np.diff(around))


class Sampler:
    """A voltage made ready to be sampled again and again: the state of each mode right after each event."""

    def __init__(self, motion: Motion) -> None:
        self._tones = motion.tones
        self._times = motion.times
        gaps = np.diff(motion.times)
        self._slope = np.concatenate(([0.0], np.cumsum(motion.slopes)))
        climbs = np.concatenate(([0.0], self._slope[1:-1] * gaps)) if len(motion.times) else np.empty(0)
        self._level = motion.base + np.concatenate(([0.0], np.cumsum(motion.steps + climbs)))
        self._states = {
            pole: np.concatenate(([0.0], _carried(jumps, pole, gaps)))
            for pole, jumps in motion.modes.items()
            if np.any(jumps)
        }

    def take(self, start: float, interval: float, count: int) -> Floats:
        """Volts at `count` moments from `start`, `interval` apart, shape (count,)."""
        volts = np.empty(count)
        for first in range(0, count, _BLOCK):
            last = min(first + _BLOCK, count)
            volts[first:last] = self._part(start + first * interval, interval, last - first)
        return volts

    def _part(self, start: float, interval: float, count: int) -> Floats:
        segment = self._segments(start, interval, count)
        moments = start + interval * np.arange(count)
        if len(self._times):
            since = moments - self._times[np.maximum(segment - 1, 0)]
            volts = self._level[segment] + self._slope[segment] * since
            for pole, states in self._states.items():
                _add_mode(volts, pole, states, segment, since)
        else:
            volts = np.full(count, self._level[0])
        for tone in self._tones:
            turn = 2 * math.pi * tone.frequency
            phase = (turn * start + np.angle(tone.phasor)) % (2 * math.pi)
            volts += abs(tone.phasor) * np.cos(turn * interval * np.arange(count) + phase)
        return volts

    def _segments(self, start: float, interval: float, count: int) -> npt.NDArray[np.intp]:
        """For each sample, how many events lie at or before it."""
        if len(self._times) == 0:
            return np.zeros(count, np.intp)
        after = np.ceil((self._times - start) / interval)
        firsts = np.clip(after, 0, count).astype(np.intp)
        lengths = np.diff(np.concatenate(([0], firsts, [count])))
        return np.repeat(np.arange(len(lengths)), lengths)


def _carried(jumps: Complexes, pole: complex, gaps: Floats) -> Complexes:
    """State of a mode right after each event: S[k] = S[k−1]·e^(pole·gap) + jump[k], by a doubling scan."""
    states = jumps.astype(complex)
    with np.errstate(under="ignore"):
        factors = np.concatenate(([0.0], np.exp(pole * gaps)))
        reach = 1
        while reach < len(states) and np.abs(factors[reach:]).max(initial=0.0) > 1e-18:
            states[reach:] += factors[reach:] * states[:-reach].copy()
            factors[reach:] = factors[reach:] * factors[:-reach].copy()
            factors[:reach] = 0.0
            reach *= 2
    return states


def _add_mode(volts: Floats, pole: complex, states: Complexes, segment: npt.NDArray[np.intp], since: Floats) -> None:
    felt = np.flatnonzero((since < _FORGOTTEN / -pole.real) & (segment > 0))
    if not felt.size:
        return
    near: npt.NDArray[np.intp] | slice = slice(None) if felt.size == since.size else felt
    ages, started = since[near], states[segment[near]]
    if pole.imag == 0.0:
        volts[near] += started.real * np.exp(pole.real * ages)
    else:
        volts[near] += (started * np.exp(pole * ages)).real
