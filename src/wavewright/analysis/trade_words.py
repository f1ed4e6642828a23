"""Words that the trade also uses for what our metrics measure: they lead to our names in messages, and are none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from wavewright.nearest import did_you_mean

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
        **dict.fromkeys(("tj", "jittertotal"), "total_jitter"),
        **dict.fromkeys(("rj", "gaussianjitter"), "random_jitter"),
        **dict.fromkeys(("dj", "boundedjitter"), "deterministic_jitter"),
        **dict.fromkeys(("lf", "ssbnoise"), "phase_noise"),
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


def metrics_meant(word: str, known: Iterable[str]) -> str:
    """Advice about a word that is not a metric: what the trade's word means, else the names that are alike."""
    listed = list(known)
    meant = TRADE_WORDS.get("".join(letter for letter in word.casefold() if letter.isalnum()))
    return f"did you mean `{meant}`?" if meant in listed else did_you_mean(word, listed, most=3)
