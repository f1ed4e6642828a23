"""I2S: samples of two channels on a clock, a word select and a data line.

I2S bus specification †: two's complement, most significant bit first, read at the rising clock;
word select is low for the left channel and changes one clock before the most significant bit. Surplus bits are dropped,
missing ones are zero.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from wavewright.analysis.sense import Sense
from wavewright.buses.catalogue import bus, nothing_more
from wavewright.buses.frames import Frames
from wavewright.buses.line.clocking import NARROW_DATA, irregular, spiked, too_soon
from wavewright.buses.line.columns import Numbers, Words
from wavewright.buses.line.logic import Line
from wavewright.buses.line.ragged import any_of_each
from wavewright.buses.vocabulary import Vocabulary, number

FEWEST_CLOCKS = 8  # a word: fewer are no sample


@bus(
    "i2s",
    channels=("clock", "word_select", "data"),
    source="I2S bus specification; left-justified: common practice",
    says=Vocabulary(
        kinds=("left", "right"),
        fields={"sample": number(-(2**31), 2**31 - 1)},
        errors=("cut", "glitch", "timing", "short"),
    ),
    refuse=nothing_more,
)
def i2s(
    clock: Line,
    word_select: Line,
    data: Line,
    *,
    word_bits: Annotated[int, Sense(least=2, most=32)] = 16,
    alignment: Literal["i2s", "left"] = "i2s",
    left_is: Literal["low", "high"] | None = None,
) -> Frames:
    """Samples on an I2S bus, one frame per word; kind `left` or `right`.

    Fields: `sample` (int, two's complement; absent where it is cut off). The word that is under way when the record
    begins is left out, one that it cuts off is marked `cut`, one that is not as long as most `timing`.

    Parameters
    ----------
    word_bits : 2 … 32, as the receiver takes them: surplus bits are dropped, missing ones are zero.
    alignment : `i2s`: the most significant bit comes one clock after the change of word select; `left`: with it.
    left_is : level of word select for the left channel; None: low for `i2s`, high for `left`.
    """
    facts = {"record_start": clock.start, "record_end": clock.end}
    edges = clock.rising
    select = word_select.is_high_along(edges)
    changes = np.flatnonzero(select[1:] != select[:-1]) + 1
    if not changes.size:
        return Frames([], [], "left", {}, facts=facts)
    first = changes + (alignment == "i2s")
    last = np.append(first[1:], edges.size)
    kept = first < edges.size
    first, last, side = first[kept], last[kept], select[changes[kept]]
    places = first[:, None] + np.arange(word_bits)
    bits = data.is_high_along(edges)[np.minimum(places, edges.size - 1)] & (places < last[:, None])
    weights = 1 << np.arange(word_bits, dtype=np.int64)[::-1]
    weights[0] *= -1
    is_last = last == edges.size
    is_cut = is_last & (last - first < word_bits)
    usual = np.median((last - first)[~is_last]) if not is_last.all() else 0
    period = float(np.median(np.diff(edges)))
    spikes = any_of_each(spiked(data, edges, narrow=NARROW_DATA * period) | too_soon(edges, period), first, last)
    # the word before and after a spike of word select may end at the wrong clock
    turns = np.flatnonzero(spiked(word_select, edges, narrow=NARROW_DATA * period))
    for turn in turns.tolist():
        spikes |= (first <= turn + 2) & (last + 2 > turn)
    left_level = (left_is or ("low" if alignment == "i2s" else "high")) == "high"
    return Frames(
        edges[first],
        edges[last - 1],
        Words(np.where(side == left_level, 0, 1).astype(np.int8), ("left", "right")),
        {"sample": Numbers(bits @ weights, ~is_cut)},
        errors={
            "cut": is_cut,
            "glitch": irregular(clock, range(int(clock.first), clock.times.size, 2), first, last) | spikes,
            "timing": ~is_last & (last - first != usual),
            "short": ~is_last & (last - first < min(word_bits, FEWEST_CLOCKS)),
        },
        facts=facts | {"bit_rate": 1 / period},
    )
