"""Words of the trade for a metric lead to its name."""

from __future__ import annotations

import pytest

from wavewright.analysis.catalogue import METRICS, metrics
from wavewright.analysis.trade_words import TRADE_WORDS
from wavewright.errors import Misuse


def test_every_word_leads_to_a_metric_and_is_none_itself() -> None:
    assert set(TRADE_WORDS.values()) <= set(metrics())
    assert not set(TRADE_WORDS) & set(metrics())


@pytest.mark.parametrize(
    "word, name",
    [
        ("pk2pk", "peak_to_peak"),
        ("pk-pk", "peak_to_peak"),
        ("Vpp", "peak_to_peak"),
        ("trise", "rise_time"),
        ("duty_cycle", "duty_factor"),
        ("width", "positive_pulse_width"),
        ("average", "mean"),
        ("noise", "ac_rms"),
        ("TJ", "total_jitter"),
        ("RJ", "random_jitter"),
        ("frequencies", "frequency"),  # no word of the trade: the nearest name
    ],
)
def test_a_common_word_is_told_our_name(word: str, name: str) -> None:
    with pytest.raises(Misuse, match=f"did you mean `{name}`"):
        METRICS.find(word)
