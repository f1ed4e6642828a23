"""SPI: words as a clock, two data lines and a select line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wavewright.buses.line.logic import Line
from wavewright.simulation.encoders.bits import bits_of_word, line_of_changes


@dataclass(frozen=True, slots=True)
class SpiLines:
    """The four lines."""

    clock: Line
    mosi: Line
    miso: Line
    select: Line


def spi_lines(
    selections: Sequence[Sequence[tuple[int, int]]],
    *,
    bit_rate: float = 1e6,
    mode: int = 0,
    word_bits: int = 8,
    bit_order: str = "msb",
    pause: float | None = None,
    word_pause: float = 0.0,
    clocks: int | None = None,
    start: float = 0.0,
    lead: float = 0.0,
    tail: float = 0.0,
) -> SpiLines:
    """Lines that carry pairs of words.

    Parameters
    ----------
    selections : for each time that select goes low, the words (MOSI, MISO) sent meanwhile.
    bit_rate : clocks per second.
    pause : while select is high between two selections, s; None: two clock periods.
    word_pause : between two words of a selection, s.
    clocks : how many clocks of the last word are given, if not all.
    start : when select first goes low, s.
    lead, tail : before and after, s.
    """
    half = 0.5 / bit_rate
    idle_high, late = mode >= 2, mode % 2 == 1
    clock: list[tuple[float, bool]] = []
    data: dict[str, list[tuple[float, bool]]] = {"mosi": [], "miso": []}
    select: list[tuple[float, bool]] = []
    now = start
    for number, words in enumerate(selections):
        select.append((now, False))
        now += half
        for place, pair in enumerate(words):
            is_last = number == len(selections) - 1 and place == len(words) - 1
            rows = [bits_of_word(word, word_bits, order=bit_order) for word in pair]
            for mosi, miso in list(zip(*rows, strict=True))[: clocks if is_last else None]:
                change = now + half if late else now
                data["mosi"].append((change, bool(mosi)))
                data["miso"].append((change, bool(miso)))
                clock += [(now + half, not idle_high), (now + 2 * half, idle_high)]
                now += 2 * half
            now += word_pause
        now += half
        select.append((now, True))
        now += 4 * half if pause is None else pause
    span = {"start": start - lead, "end": now + tail}
    return SpiLines(
        line_of_changes(clock, first=idle_high, **span),
        line_of_changes(data["mosi"], first=False, **span),
        line_of_changes(data["miso"], first=False, **span),
        line_of_changes(select, first=True, **span),
    )
