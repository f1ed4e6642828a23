"""A digitizer whose errors are drawn from what its data sheet states."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wavewright.analysis.uncertainty.accuracy import Accuracy
from wavewright.waveform import Waveform

INTERVAL = 10e-9  # s
RANGE = 8.0  # V, peak to peak


@dataclass(frozen=True)
class Sheet:
    """Limits of error: gain and time base as ratios, offset and noise (rms) in V, skew in s."""

    gain: float = 0.01
    offset: float = 0.03
    timebase: float = 50e-6
    skew: float = 3e-9
    noise: float = 0.02

    def stated(self) -> Accuracy:
        """What the data sheet says."""
        return Accuracy(
            gain=self.gain,
            offset=self.offset,
            timebase=self.timebase,
            skew=self.skew,
            noise_floor=self.noise,
            bandwidth=100e9,  # edges are what they are: the band limit of this digitizer is far above them
            instrument="digitizer",
        )


PERFECT = Sheet(gain=0.0, offset=0.0, timebase=0.0, skew=0.0)


@dataclass(frozen=True)
class Digitizer:
    """One instrument with its errors as they happen to be: time base once, gain and offset of each input, and skew."""

    timebase: float
    gains: tuple[float, float]
    offsets: tuple[float, float]
    skew: float
    noise: float

    @classmethod
    def drawn(cls, sheet: Sheet, rng: np.random.Generator) -> Digitizer:
        def within(limit: float) -> float:
            return float(rng.uniform(-limit, limit))

        return cls(
            within(sheet.timebase),
            (within(sheet.gain), within(sheet.gain)),
            (within(sheet.offset), within(sheet.offset)),
            within(sheet.skew),
            sheet.noise,
        )

    def take(
        self, signal, rng: np.random.Generator, *, size: int, bits: int, number: int = 0, name: str = ""
    ) -> Waveform:
        """A record of a signal: what the instrument says it is, whatever its errors are."""
        step = RANGE / 2**bits
        instants = np.arange(size) * INTERVAL * (1 + self.timebase) + (self.skew if number else 0.0)
        volts = (1 + self.gains[number]) * signal(instants) + self.offsets[number]
        volts = volts + rng.normal(0.0, self.noise, size)
        lowest, highest = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
        codes = np.clip(np.rint(volts / step), lowest, highest).astype(np.int8 if bits == 8 else np.int16)
        return Waveform(
            codes, gain=step, interval=INTERVAL, name=name or f"ch{number + 1}", code_range=(lowest, highest)
        )
