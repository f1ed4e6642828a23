"""Doubts: what speaks against a reading, when, what that means, what cures it, and which metrics it bears on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any


class Reads(StrEnum):
    """What a metric reads of a record; a doubt about that part bears on the metric."""

    ANYTHING = "anything"  # not stated: every doubt bears
    HIGHEST = "highest"  # the highest samples
    LOWEST = "lowest"  # the lowest samples
    HIGH_LEVEL = "high_level"  # the level of the high state
    LOW_LEVEL = "low_level"  # the level of the low state
    SAMPLES = "samples"  # the values of all samples
    EDGES = "edges"  # the instants at which a level is crossed
    COUNTS = "counts"  # how many edges or pulses there are
    TRANSITIONS = "transitions"  # the course of a transition between the states
    SPECTRUM = "spectrum"  # the lines of the spectrum, or a sine that is fitted
    TRIGGER = "trigger"  # times that are counted from the trigger
    FRAMES = "frames"  # what was said on a decoded line


EXTREMES = frozenset({Reads.HIGHEST, Reads.LOWEST})
LEVELS = frozenset({Reads.HIGH_LEVEL, Reads.LOW_LEVEL})
EVERYTHING = frozenset(Reads)


class Doubt(StrEnum):
    """A coded reason not to trust a reading fully. Adding one is one entry here.

    Parameters
    ----------
    threshold : when it is raised.
    meaning : what it says about the reading.
    cure : what to do.
    bears_on : what a metric must read for the doubt to stop a pass; everything where it is left out.
    """

    threshold: str
    meaning: str
    cure: str
    bears_on: frozenset[Reads]

    def __new__(
        cls, word: str, threshold: str = "", meaning: str = "", cure: str = "", bears_on: frozenset[Reads] = EVERYTHING
    ) -> Doubt:
        """A member from its entry; all but the word are left out only where a member is looked up."""
        member = str.__new__(cls, word)
        member._value_ = word
        member.threshold, member.meaning, member.cure, member.bears_on = threshold, meaning, cure, bears_on
        return member

    @property
    def parts(self) -> tuple[Reads, ...]:
        """What it bears on, in the order of `Reads`; `anything` alone where that is everything."""
        if self.bears_on == EVERYTHING:
            return (Reads.ANYTHING,)
        return tuple(part for part in Reads if part in self.bears_on)

    @property
    def words(self) -> str:
        """Its name as a text has it: `few codes`."""
        return self.value.replace("_", " ")

    CLIPPED = (
        "clipped",
        "a sample on the lowest or highest code of the converter; for means and levels, more than 1 sample in 1000",
        "the signal exceeds the range there, by an unknown amount",
        "widen `range` or move `offset`",
        EXTREMES | LEVELS | {Reads.SAMPLES, Reads.TRANSITIONS, Reads.SPECTRUM},
    )
    FEW_CYCLES = (
        "few_cycles",
        "fewer than 10 periods; for the level of a band, none of its lowest frequency",
        "a limit nearer than 3 standard uncertainties cannot be decided from so few periods",
        "lengthen `span`",
    )
    FEW_SAMPLES = (
        "few_samples",
        "fewer than 5 samples on the transition or pulse that is measured, or a peak whose top may lie between two",
        "its duration is known to one sample interval at best, and not at all if it takes fewer than two",
        "raise `rate`",
    )
    FEW_CODES = (
        "few_codes",
        "the signal covers fewer than 20 codes of the converter",
        "a limit nearer than what one code resolves cannot be decided",
        "choose a smaller `range`",
    )
    INVALID_SAMPLES = (
        "invalid_samples",
        "the part that is read has a sample that the instrument marked as invalid; it is left out",
        "what happened at that sample is not known",
        "measure again, or measure a part of the record without it",
    )
    NO_STATES = (
        "no_states",
        "the waveform does not stay at the levels that were found",
        "there is no low and high state that the reading could refer to",
        "declare `low_state` and `high_state`, or record a signal with two states",
    )
    NOISY = (
        "noisy",
        "noise comparable with what is measured: for edges, more than a tenth of the amplitude",
        "noise may have caused the value; a limit nearer than 3 standard uncertainties cannot be decided",
        "average several shots, limit the bandwidth, or choose a smaller `range`",
    )
    NOT_SETTLED = (
        "not_settled",
        "the record ends before the waveform, or the filter of a derived channel, has settled",
        "the final value is not in the record",
        "lengthen `span`",
    )
    UNDERSAMPLED = (
        "undersampled",
        "fewer than 4 samples per period, or per bit of a decoded line; a band that reaches beyond half the rate",
        "the signal between the samples is not known",
        "raise `rate`",
    )
    CUT_SHORT = (
        "cut_short",
        "the measurement was interrupted before all of its shots were taken",
        "the missing shots might have failed",
        "measure again",
    )
    NOT_TRIGGERED = (
        "not_triggered",
        "an automatic trigger that was forced",
        "the record has no trigger that times could be counted from",
        "check the trigger level, or use `mode: normal`",
        frozenset({Reads.TRIGGER}),
    )
    REPEATED_RECORD = (
        "repeated_record",
        "the same samples as in the record before it from the same input, which moves by more than a few steps",
        "no two records of a signal are alike: the instrument has not taken a new one",
        "switch the digitizer off and on, see that it takes records one by one, and measure again",
    )
    ALIASED = (
        "aliased",
        "nothing between probe and converter stops frequencies above half the rate, and the signal repeats itself; "
        "a look at another rate has not confirmed its frequency",
        "the signal may be a much faster one that is sampled too slowly",
        "raise `rate`, or set `bandwidth_limit` below half of it",
        frozenset({Reads.EDGES, Reads.COUNTS, Reads.TRANSITIONS, Reads.SPECTRUM}),
    )
    DEPENDS_ON_ACCURACY = (
        "depends_on_accuracy",
        "within the stated accuracy of the inputs another number is counted, or there is nothing to measure",
        "the number may come from an error of the input",
        "move the level away from where the signal stays, or use a more accurate input",
    )
    NOTHING_THERE = (
        "nothing_there",
        "the record stays within the noise and the offset that an open input shows; for frequencies, times and counts, "
        "it moves by no more than the noise",
        "the number may come from the input itself",
        "check that the probe is on the right point and its ground connected, or choose a smaller `range`",
    )
    SLOW_SETUP = (
        "slow_setup",
        "probe, input and band limit together take more than a third of the edge that is read, or of the time between "
        "two edges of a bus, lose more than 2 % of a tone, or hide glitches of half the `width` below which they count",
        "the edge looks slower, and overshoot and tone smaller, than they are; glitches are missing",
        "use a faster probe or input, or set no `bandwidth_limit`",
        EXTREMES | LEVELS | {Reads.SAMPLES, Reads.TRANSITIONS, Reads.SPECTRUM, Reads.EDGES, Reads.COUNTS},
    )
    PROBE_LOADING = (
        "probe_loading",
        "on the `source_impedance` that the recipe states, the probe takes more than 1 % of the voltage, or more than "
        "a third of the edge, or of the time between two edges of a bus, that is read; its capacitance is more than 1 "
        "% of that of a line",
        "touching the point with the probe changes what is there",
        "use a probe of higher resistance and lower capacitance, or measure at a point of lower impedance",
        EXTREMES | LEVELS | {Reads.SAMPLES, Reads.TRANSITIONS, Reads.SPECTRUM, Reads.EDGES},
    )
    DROOP = (
        "droop",
        "through ac coupling, what the signal drops by while it stays at a level is more than 1 % of its peak to peak",
        "flat parts of the signal run back towards 0 V, and its peaks become larger",
        "set `coupling: dc`, with a `range` and `offset` for it",
        EXTREMES | LEVELS | {Reads.SAMPLES, Reads.SPECTRUM},
    )
    COARSE_RANGE = (
        "coarse_range",
        "the limit is fewer than 10 codes of the converter wide",
        "the converter cannot resolve the limit",
        "choose a smaller `range`",
        EXTREMES | LEVELS,
    )
    INPUT_NOISE = (
        "input_noise",
        "noise of the input makes more than a fifth of the peak to peak, a third of an overshoot, or a twentieth of an "
        "rms value",
        "a part of the number is noise of the instrument",
        "choose a smaller `range`, set a `bandwidth_limit`, or average",
        EXTREMES | {Reads.SAMPLES},
    )
    INPUT_SKEW = (
        "input_skew",
        "the inputs may differ by as much as the delay that is read, or different bandwidths or loading delay them "
        "differently",
        "the delay may be that between the inputs",
        "use the same probe and band limit on both; put both probes on one point, read their delay, and enter it as a "
        "correction",
        frozenset({Reads.EDGES, Reads.SPECTRUM}),
    )
    TRIGGER_JITTER = (
        "trigger_jitter",
        "a time or phase from the trigger that the jitter of the trigger moves by more than its own uncertainty",
        "the trigger does not come at the same instant of the signal each time",
        "record the reference on a second input, and measure the delay between the two",
        frozenset({Reads.TRIGGER}),
    )
    GROUND_LEAD = (
        "ground_lead",
        "the signal rings after its edges at the frequency, within 30 %, at which the probe's ground lead does",
        "the ringing, and with it overshoot and peaks, may come from the ground lead and not from the circuit",
        "use a shorter ground connection, such as a spring at the tip, and state it as `ground_lead`",
        EXTREMES | {Reads.TRANSITIONS},
    )
    NOT_WARMED_UP = (
        "not_warmed_up",
        "the instrument was switched on more recently than the warm-up time of its profile",
        "its stated accuracy does not hold yet",
        "wait, and measure again",
    )
    CALIBRATION_OVERDUE = (
        "calibration_overdue",
        "a calibration of the instrument or the probe in the bench file, or a correction that was applied, was due "
        "before the measurement",
        "its stated accuracy, or the correction, is no longer supported by a calibration",
        "have it calibrated, and enter the new date",
    )
    LEVEL_NOT_REACHED = (
        "level_not_reached",
        "a count or a time of 0 at a level, stated in the recipe, that the record never crosses",
        "the signal may be missing, or the level wrong; then nothing could have been counted",
        "check the level and the signal; if the level must not be reached, set a limit on `maximum` or `minimum`",
        frozenset({Reads.COUNTS, Reads.EDGES}),
    )
    LEVEL_IN_NOISE = (
        "level_in_noise",
        "a level to be crossed so near a state of the waveform that noise of 5 standard deviations crosses it, the "
        "hysteresis included",
        "crossings may be of noise, and each pulse cut into many; the uncertainty is that of these, not of the signal",
        "put the level further from the state, or reduce the noise",
        frozenset({Reads.COUNTS, Reads.EDGES}),
    )
    OFF_FREQUENCY = (
        "off_frequency",
        "the tone of the record is more than a tenth of a cycle, over the record, off the frequency that the recipe "
        "states; a `fundamental` with many harmonics must be nearer",
        "what is computed at the stated frequency averages the signal out, and looks for harmonics where they are not",
        "state the frequency that `strongest_tone` reads, or leave it out",
        frozenset({Reads.SPECTRUM}),
    )
    IDLE_LIMIT = (
        "idle_limit",
        "the limit holds for every value that the range can show, or nothing in the record can reach the mask",
        "the reading could not have failed",
        "choose another limit or mask (are units and times right?), or widen `range`",
        EXTREMES | LEVELS | {Reads.SAMPLES},
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """What a doubt found about one reading: the numbers, and how far the true value may be from the one read.

    Parameters
    ----------
    text : what was found, with numbers; empty: the doubt's own meaning stands for it.
    below, above : how far below and above the reading the true value may lie, in its unit.
    decides : it stops a pass, wherever the limit is. Else it does only where the limit is within `below` and `above`.
    """

    doubt: Doubt
    text: str = ""
    below: float = math.inf
    above: float = math.inf
    decides: bool = True

    @property
    def bears(self) -> bool:
        """Whether it can touch the verdict at all."""
        return self.decides or self.below > 0 or self.above > 0

    @property
    def sentence(self) -> str:
        """The doubt in a sentence: what was found, and what to change."""
        return f"{self.doubt.words}: {self.text or self.doubt.meaning}; {self.doubt.cure}"

    @classmethod
    def idle(cls, doubt: Doubt, text: str = "") -> Finding:
        """One that does not bear on the reading."""
        return cls(doubt, text, 0.0, 0.0, decides=False)

    @classmethod
    def within(cls, doubt: Doubt, text: str, reach: float) -> Finding:
        """One that matters where the limit is at most `reach` away."""
        return cls(doubt, text, reach, reach, decides=False)

    def as_json(self) -> dict[str, Any]:
        """Plain numbers and words; a side without a bound is left out."""
        plain: dict[str, Any] = {"doubt": str(self.doubt), "text": self.text, "decides": self.decides}
        if math.isfinite(self.below):
            plain["below"] = self.below
        if math.isfinite(self.above):
            plain["above"] = self.above
        return plain

    @classmethod
    def from_json(cls, plain: dict[str, Any]) -> Finding:
        """What `as_json` made this of."""
        return cls(**{**plain, "doubt": Doubt(plain["doubt"])})


def doubts() -> Mapping[str, Doubt]:
    """Every doubt by name, with its threshold, its meaning and its cure.

    Examples
    --------
    >>> doubts()["clipped"].cure
    'widen `range` or move `offset`'
    """
    return MappingProxyType({doubt.value: doubt for doubt in Doubt})
