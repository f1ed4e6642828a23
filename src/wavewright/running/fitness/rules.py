"""The rules of fitness: what each asks of a set-up, where it comes from, and which setting mends what it finds."""

from __future__ import annotations

from enum import StrEnum

PRACTICE = "common practice, no source"


class FitnessRule(StrEnum):
    """One rule. Adding one is one entry here and one examination that uses it.

    Parameters
    ----------
    asks : what it asks of a set-up.
    source : where it comes from.
    cure : which setting mends what it finds.
    """

    asks: str
    source: str
    cure: str

    def __new__(cls, word: str, asks: str = "", source: str = "", cure: str = "") -> FitnessRule:
        """A member from its entry; all but the word are left out only where a member is looked up."""
        member = str.__new__(cls, word)
        member._value_ = word
        member.asks, member.source, member.cure = asks, source, cure
        return member

    @property
    def words(self) -> str:
        """Its name as a text has it."""
        return self.value.replace("_", " ")

    REACH = (
        "reach",
        "within the range there are values that pass and values that fail",
        "math: the ends of the converter",
        "widen `range` or move `offset`, or choose another limit",
    )
    CODES = (
        "codes",
        "a limit on samples or levels is at least 10 codes of the converter wide",
        PRACTICE,
        "choose a smaller `range`",
    )
    INPUT_NOISE = (
        "input_noise",
        "the noise of the input makes at most a fifth of a peak-to-peak limit",
        PRACTICE,
        "choose a smaller `range`, or set a `bandwidth_limit`",
    )
    EDGE_SAMPLES = (
        "edge_samples",
        "an edge or pulse at its limit holds at least 5 samples; with fewer than 2 it is not in the record",
        PRACTICE,
        "raise `rate`",
    )
    SETUP_SPEED = (
        "setup_speed",
        "the edge of probe, input, band limit and loading takes at most a third of the edge at its limit",
        f"{PRACTICE}; 0.35/B for one pole, root sum of squares for several",
        "use a faster probe or input, or set no `bandwidth_limit`",
    )
    RECORD_LENGTH = (
        "record_length",
        "the record holds at least 10 periods, or all of the time that the limit allows",
        PRACTICE,
        "lengthen `span`",
    )
    SAMPLING = (
        "sampling",
        "the rate is more than twice the frequency of the limit, and at least 4 times as high to leave no doubt",
        "sampling theorem (math)",
        "raise `rate`",
    )
    ALIAS = (
        "alias",
        "nothing faster than half the rate reaches the converter, or a second look at a higher rate can tell",
        "sampling theorem (math)",
        "raise `rate`, or set `bandwidth_limit` below half of it",
    )
    COUPLING = (
        "coupling",
        "a reading that includes the DC component is not made through ac coupling, which removes it",
        "math: a high-pass filter passes no DC",
        "set `coupling: dc`, with a `range` and `offset` for it, or use `ac_rms`",
    )
    DROOP = (
        "droop",
        "through ac coupling, the slowest signal that is stated drops by at most 1 % in half a period",
        "1 − exp(−π·f_c/f), math; the 1 %: common practice, no source",
        "set `coupling: dc`, with a `range` and `offset` for it",
    )
    LOADING = (
        "loading",
        "the probe takes at most 1 % of the voltage at the stated `source_impedance`",
        "Ohm's law; the 1 %: common practice, no source",
        "use a probe of higher resistance and lower capacitance, or measure at a point of lower impedance",
    )
    UNCERTAINTY = (
        "uncertainty",
        "half the width of a limit is at least 4 times the expanded uncertainty (95 %); below 1, nothing is decided",
        "index of measurement capability, JCGM 106:2012, 7.6.3 †; the 4 to 1: common practice, no source",
        "use a more accurate instrument or a smaller `range`, apply corrections, or widen the limit",
    )
    BIT_SAMPLES = (
        "bit_samples",
        "a bit of a decoded line holds at least 4 samples",
        f"sampling theorem (math) asks for 2; the 4: {PRACTICE}",
        "raise `rate`",
    )
    FRAME_LENGTH = (
        "frame_length",
        "the record holds as many of the shortest frames as the limit asks for, and twice the length of one where it "
        "begins anywhere",
        "math: of two frames' time one frame is whole; the lengths are those of the standard of the bus",
        "lengthen `span`",
    )
    LOGIC_LEVELS = (
        "logic_levels",
        "both thresholds of a decoded line lie within the range, further apart than the noise of the input",
        f"math: what is not in the range is not crossed; noise between two thresholds changes no state: {PRACTICE}",
        "widen `range` or move `offset`, or choose other `levels`",
    )
    CLOCK_SKEW = (
        "clock_skew",
        "the inputs of clock and data differ by at most a tenth of a bit; beyond half a bit the data are those of the "
        "next one",
        PRACTICE,
        "use the same probe and band limit on both, and correct their skew",
    )
    RARE_EVENTS = (
        "rare_events",
        "what happens once in some number of shots is counted as rare, at one rate at least, with a probability of 95 "
        "%; below 50 % nothing is decided",
        "binomial distribution (math); rule of three: none in n shots leaves up to 3/n, with 95 % (Hanley and "
        "Lippman-Hand 1983 †)",
        "take more `shots`, or lower `rare`",
    )
    NOT_STATED = (
        "not_stated",
        "what the other rules need is stated",
        "what is not known cannot be examined",
        "state it in the profile or the bench file",
    )
