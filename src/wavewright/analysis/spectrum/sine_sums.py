"""What the fit of a sine to a record needs to know of the samples: the sums of its normal equations, and the residual.

`SampledSums` adds up products sample by sample. `BlockedSums`, for long records, adds up each block once, for one turn,
and has from that the sums of every turn so near that within a block the angle changes by less than `NEAR`: those of a
block are turned as a whole, and what the change makes within the block is linear in it. The next term of the series is
less than 5e-15 of the amplitude. The sums of cosines and sines alone come from a table as long as a block. Both have
the angle of each sample the same, and leave out none: they differ by rounding only.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from wavewright.analysis.elementary.angles import cosine_and_sine_of
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.elementary.sums import gram, inner
from wavewright.analysis.record.blocks import DOT_BLOCK, spans

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.waveform import Floats

NEAR = 1e-7  # rad, at the ends of a block
TOGETHER = 8  # blocks that are added up at once: they and one product of each stay in the cache


class SineSums(Protocol):
    """Samples, as codes less their mean; the angle is 0 in the middle of the record, where time is counted from."""

    def normal(self, turn: float, cosine: float, sine: float) -> tuple[Floats, Floats]:
        """Normal equations for cosine, sine, constant and change of phase at the record's ends: (4, 4) and (4,).

        Parameters
        ----------
        turn : rad a sample.
        cosine, sine : the amplitudes about which a change of the turn is linearized.
        """

    def residual_squares(self, turn: float, found: Floats) -> float:
        """Sum of the squares of what a sine leaves, in codes²; `found`: its cosine, sine and constant."""


class SampledSums:
    """Sums that look at each sample anew for each turn."""

    def __init__(self, codes: npt.NDArray[Any], mean: float) -> None:
        self._codes, self._mean = codes, mean

    def normal(self, turn: float, cosine: float, sine: float) -> tuple[Floats, Floats]:
        """See `SineSums`."""
        sums = np.zeros((5, 5))
        for values, cosines, sines, places in self._blocks(turn):
            rows = np.empty((5, values.size))
            rows[0], rows[1], rows[2] = cosines, sines, 1.0
            rows[3] = places * (sine * cosines - cosine * sines)
            rows[4] = values
            sums += gram(rows)
        return sums[:4, :4], sums[:4, 4]

    def residual_squares(self, turn: float, found: Floats) -> float:
        """See `SineSums`."""
        total = 0.0
        for values, cosines, sines, _ in self._blocks(turn):
            left = values - (found[0] * cosines + found[1] * sines + found[2])
            total += inner(left, left)
        return total

    def _blocks(self, turn: float) -> Iterator[tuple[Floats, Floats, Floats, Floats]]:
        """Blocks of (values, cosines, sines, places −1 … 1)."""
        codes = self._codes
        cosines, sines = cosine_and_sine_of(turn * np.arange(min(DOT_BLOCK, codes.size)))
        middle = (codes.size - 1) / 2
        for first, last in spans(0, codes.size, DOT_BLOCK):
            values = codes[first:last].astype(np.float64) - self._mean
            c, s = cosines[: values.size], sines[: values.size]
            to_block, up_to_block = (float(one) for one in cosine_and_sine_of(turn * (first - middle)))
            places = (np.arange(first, last, dtype=np.float64) - middle) / (codes.size / 2)
            yield values, c * to_block - s * up_to_block, s * to_block + c * up_to_block, places


class BlockedSums:
    """Sums of blocks, of which those of near turns follow."""

    def __init__(self, codes: npt.NDArray[Any], mean: float) -> None:
        self._codes, self._mean = codes, mean
        self._length = min(DOT_BLOCK, codes.size)
        self._firsts = np.arange(0, codes.size, self._length)
        # samples from the middle of a block, of a whole one where it is shorter
        self._within: Floats = np.arange(self._length, dtype=np.float64) - (self._length - 1) / 2
        middle = (codes.size - 1) / 2
        self._middles = self._firsts + (self._length - 1) / 2 - middle  # of blocks, from that of the record
        self._turn = np.nan
        self._sums = np.empty((0, 0))

    def normal(self, turn: float, cosine: float, sine: float) -> tuple[Floats, Floats]:
        """See `SineSums`."""
        if not abs(turn - self._turn) * self._length / 2 < NEAR:
            self._turn, self._sums = turn, self._added_up(turn)
        change, half = turn - self._turn, self._codes.size / 2
        places = self._middles / half
        constant, c, s, moved_c, moved_s = self._sums
        # of each block: with cos and sin of the angle from its own middle, and those times the samples from there
        c, s = c - change * moved_s, s + change * moved_c
        along, up = cosine_and_sine_of(turn * self._middles)
        by_cosine, by_sine = c * along - s * up, s * along + c * up
        moved_cosine, moved_sine = moved_c * along - moved_s * up, moved_s * along + moved_c * up
        at_cosine = float(np.sum(places * by_cosine) + np.sum(moved_cosine) / half)
        at_sine = float(np.sum(places * by_sine) + np.sum(moved_sine) / half)
        right = [np.sum(by_cosine), np.sum(by_sine), np.sum(constant), sine * at_cosine - cosine * at_sine]
        return self._products(turn, cosine, sine), np.array(right, dtype=np.float64)

    def residual_squares(self, turn: float, found: Floats) -> float:
        """See `SineSums`."""
        cosines, sines = cosine_and_sine_of(turn * self._within)
        along, up = cosine_and_sine_of(turn * self._middles)
        of_cosines, of_sines = found[0] * along + found[1] * up, found[1] * along - found[0] * up
        total = 0.0
        for part, values in self._blocks():
            width = values.shape[1]
            product = of_cosines[part, None] * cosines[:width]
            left = np.subtract(values, product, out=values)
            np.multiply(of_sines[part, None], sines[:width], out=product)
            left -= product
            left -= found[2]
            total += float(np.multiply(left, left, out=product).sum())
        return total

    def _blocks(self) -> Iterator[tuple[slice, Floats]]:
        """Some whole blocks at a time, then the last one if it is shorter: which ones, and their values in rows."""
        whole = self._codes.size // self._length
        for first, last in [*spans(0, whole, TOGETHER), (whole, self._firsts.size)]:
            if last > first:
                codes = self._codes[first * self._length : last * self._length]
                values = codes.reshape(last - first, -1).astype(np.float64)
                values -= self._mean
                yield slice(first, last), values

    def _added_up(self, turn: float) -> Floats:
        """The sums of each block: values, times cosine, sine, and these two times the place too; shape (5, blocks)."""
        cosines, sines = cosine_and_sine_of(turn * self._within)
        tables = cosines, sines, cosines * self._within, sines * self._within
        found = np.empty((5, self._firsts.size))
        for part, values in self._blocks():
            product = np.empty_like(values)
            found[0, part] = values.sum(axis=1)
            for sums, table in zip(found[1:], tables, strict=True):
                np.multiply(values, table[: values.shape[1]], out=product)
                sums[part] = product.sum(axis=1)
        return found

    def _products(self, turn: float, cosine: float, sine: float) -> Floats:
        """The left side of the normal equations: what does not depend on the samples."""
        size = self._codes.size
        (c, s), (pc, ps), _ = self._moments(turn)
        (cc, cs), (pcc, pcs), (ppcc, ppcs) = self._moments(2 * turn)  # of cos² − sin² and 2·cos·sin
        _, (p, _), (pp, _) = self._moments(0.0)
        pss, pcc, pcs = (p - pcc) / 2, (p + pcc) / 2, pcs / 2
        sums = np.empty((4, 4))
        sums[0, 0], sums[1, 1], sums[2, 2] = (size + cc) / 2, (size - cc) / 2, size
        sums[0, 1], sums[0, 2], sums[1, 2] = cs / 2, c, s
        sums[0, 3], sums[1, 3] = sine * pcc - cosine * pcs, sine * pcs - cosine * pss
        sums[2, 3] = sine * pc - cosine * ps
        squares = square(sine) * (pp + ppcc) / 2 + square(cosine) * (pp - ppcc) / 2
        sums[3, 3] = squares - sine * cosine * ppcs
        return np.triu(sums) + np.triu(sums, 1).T

    def _moments(self, turn: float) -> list[tuple[float, float]]:
        """Sums over the record of cosine and sine, and of those times the place, −1 … 1, and its square."""
        half = self._codes.size / 2
        table = cosine_and_sine_of(turn * self._within)
        along, up = cosine_and_sine_of(turn * self._middles)
        whole, last = self._codes.size // self._length, self._codes.size % self._length
        totals = np.zeros((3, 2))
        for blocks, width in ((slice(0, whole), self._length), (slice(whole, None), last)):
            if not width:
                continue
            within = self._within[:width] / half
            c, s = (each[:width] for each in table)
            weights = (np.ones(width), within, within * within)
            tables = [(float(np.sum(weight * c)), float(np.sum(weight * s))) for weight in weights]
            turned = [(along[blocks] * x - up[blocks] * y, along[blocks] * y + up[blocks] * x) for x, y in tables]
            place = self._middles[blocks] / half
            for number in (0, 1):
                zeroth, first, second = (each[number] for each in turned)
                totals[0, number] += np.sum(zeroth)
                totals[1, number] += np.sum(place * zeroth) + np.sum(first)
                totals[2, number] += np.sum(place * place * zeroth) + 2 * np.sum(place * first) + np.sum(second)
        return [(float(x), float(y)) for x, y in totals]
