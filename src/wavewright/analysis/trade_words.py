"""Words that the trade also uses for what our metrics measure: they lead to our names in messages, and are none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from types import MappingProxyType

TRADE_WORDS: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(("pk2pk", "pkpk", "p2p", "pp", "vpp", "ptp", "peaktopeak", "peak2peak"), "peak_to_peak"),
        **dict.fromkeys(("trise", "tr", "risetime", "rise"), "rise_time"),
        **dict.fromkeys(("tfall", "tf", "falltime", "fall"), "fall_time"),
        **dict.fromkeys(("dutycycle", "duty", "dc", "dutyratio"), "duty_factor"),
        **dict.fromkeys(("width", "pulsewidth", "pw", "poswidth", "hightime", "ton"), "positive_pulse_width"),
        **dict.fromkeys(("negwidth", "lowtime", "toff"), "negative_pulse_width"),
        **dict.fromkeys(("noise", "acrms", "stdev", "std", "sigma"), "ac_rms"),
        **dict.fromkeys(("average", "avg", "vavg", "vmean", "dcmean"), "mean"),
        **dict.fromkeys(("freq", "f", "hz"), "frequency"),
        **dict.fromkeys(("max", "vmax", "peak", "top"), "maximum"),
        **dict.fromkeys(("min", "vmin", "valley"), "minimum"),
        **dict.fromkeys(("vrms", "rmsvalue", "effective"), "rms"),
        **dict.fromkeys(("vhigh", "vtop", "high", "voh"), "high_level"),
        **dict.fromkeys(("vlow", "vbase", "base", "low", "vol"), "low_level"),
        **dict.fromkeys(("vamp", "amp", "swing"), "amplitude"),
        **dict.fromkeys(("jitter", "tie"), "time_interval_error"),
        **dict.fromkeys(("slewrate", "sr", "dvdt"), "slew_rate"),
        **dict.fromkeys(("overshot", "ringing"), "overshoot"),
        **dict.fromkeys(("distortion", "thdn"), "thd"),
        **dict.fromkeys(("edges", "risecount"), "rising_edges"),
        **dict.fromkeys(("spikes", "glitch"), "glitches"),
        **dict.fromkeys(("settling", "settle", "tsettle"), "settling_time"),
        **dict.fromkeys(("setup", "tsu"), "setup_time"),
        **dict.fromkeys(("hold", "th"), "hold_time"),
        **dict.fromkeys(("propagationdelay", "tpd", "latency"), "delay"),
    }
)
"""By the word without blanks, dashes, underscores and capitals."""


def nearest_metrics(word: str, known: Iterable[str], count: int = 3) -> list[str]:
    """The names that were probably meant by a word that is not a name: that of the trade's word, else those alike."""
    listed = list(known)
    plain = "".join(letter for letter in word.casefold() if letter.isalnum())
    meant = [TRADE_WORDS[plain]] if TRADE_WORDS.get(plain) in listed else []
    return meant or get_close_matches(word, listed, count)
