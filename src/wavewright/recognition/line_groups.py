"""Lines that belong together: clock and data of I2C and SPI, the two of a CAN pair, two directions of a UART."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import permutations

import numpy as np

from wavewright.buses.line.logic import Line, line_of
from wavewright.buses.line.logic_levels import LogicLevels
from wavewright.errors import WavewrightError
from wavewright.recognition.recognised import Kind, Recognised, Together
from wavewright.recognition.serial_line import USUAL_CAN_RATES, measured_rate, told, tried
from wavewright.waveform import Waveform

MIRRORED = -0.9  # correlation of the two lines of a differential pair
LEAST_WORDS = 2
BURST = 3.0  # a pause of the clock this many of its periods long ends a word


def find_groups(waves: Mapping[str, Waveform], singles: Mapping[str, Recognised]) -> Iterator[Together]:
    """The groups among lines of one record; a line is in one group at most.

    Parameters
    ----------
    waves : the lines that move, on one time axis.
    singles : what was recognised on each by itself.
    """
    left = dict(waves)
    for find in (_can_pair, _i2c, _spi):
        while (found := find(left)) is not None:
            yield found
            left = {name: wave for name, wave in left.items() if name not in found.lines.values()}
    yield from _two_directions(left, singles)


def with_groups(singles: Mapping[str, Recognised], groups: Iterable[Together]) -> dict[str, Recognised]:
    """What is on each line, once it is known which of them belong together: those say the bus and not what is said."""
    found = dict(singles)
    for group in groups:
        alone = replace(group.serial, frames=0, said=())
        for name in group.lines.values():
            found[name] = replace(found[name], kind=Kind.SERIAL, serial=alone, frequency=None, duty_factor=None)
    return found


def _can_pair(waves: Mapping[str, Waveform]) -> Together | None:
    for high, low in permutations(waves, 2):
        if not _is_mirrored(waves[high], waves[low]):
            continue
        pair = {"high": waves[high], "low": waves[low]}
        trial = tried(pair, "can")
        if trial is None or not trial.clean or trial.share_clean() < 0.5:
            continue
        rate = measured_rate(trial, USUAL_CAN_RATES)
        if rate:
            trial = replace(trial, serial=replace(trial.serial, options={"bit_rate": rate}))
        return Together(told(trial), {"high": high, "low": low})
    return None


def _is_mirrored(one: Waveform, other: Waveform) -> bool:
    if len(one) != len(other):
        return False
    step = max(1, len(one) // 200_000)
    a, b = (np.asarray(wave.codes[::step], dtype=np.float64) * np.sign(wave.gain) for wave in (one, other))
    if not a.std() or not b.std():
        return False
    return float(np.corrcoef(a, b)[0, 1]) < MIRRORED


def _i2c(waves: Mapping[str, Waveform]) -> Together | None:
    """A START, whole bytes with an acknowledgement each, and a STOP: which line is the clock shows by trying both."""
    best: tuple[float, Together] | None = None
    for scl, sda in permutations(waves, 2):
        trial = tried({"scl": waves[scl], "sda": waves[sda]}, "i2c")
        if trial is None:
            continue
        whole = [frame for frame in trial.frames if not frame.errors and frame.fields.get("data")]
        if not whole or trial.share_clean() < 0.5:
            continue
        score = trial.share_clean() * len(whole)
        if best is None or score > best[0]:
            best = score, Together(told(trial), {"scl": scl, "sda": sda})
    return None if best is None else best[1]


def _spi(waves: Mapping[str, Waveform]) -> Together | None:
    """A clock in bursts of whole words, and lines that change on one of its edges and rest at the other."""
    lines = {name: line for name, wave in waves.items() if (line := _line(wave)) is not None}
    clock = max(lines, key=lambda name: _regularity(lines[name]), default=None)
    if clock is None or len(lines) < 2 or _regularity(lines[clock]) == 0.0:
        return None
    ticks = lines[clock]
    others = {name: line for name, line in lines.items() if name != clock}
    select = next((name for name, line in others.items() if _frames_bursts(line, ticks)), None)
    data = [name for name in others if name != select and _moves_with(others[name], ticks)]
    if not data:
        return None
    idle = bool(ticks.is_high(np.array([ticks.end]))[0]) if ticks.times.size % 2 == 0 else ticks.first
    phase = _phase(ticks, [others[name] for name in data], idle=idle)
    roles = {"clock": clock, **({"select": select} if select else {})}
    options: dict[str, object] = {"mode": 2 * idle + phase}
    if select is None:
        options["gap"] = f"{BURST * _period(ticks):.3g} s"
    elif others[select].first is False and not _rests_high(others[select]):
        options["select_active"] = "high"
    found = None
    for names in permutations(data[:2]):
        channels = {**roles, **dict(zip(("mosi", "miso"), names, strict=False))}
        trial = tried({role: waves[name] for role, name in channels.items()}, "spi", options)
        if trial is not None and trial.clean >= LEAST_WORDS and trial.share_clean() >= 0.9:
            found = found or (trial, channels)
    if found is None:
        return None
    return Together(told(found[0]), found[1])


def _two_directions(waves: Mapping[str, Waveform], singles: Mapping[str, Recognised]) -> Iterator[Together]:
    """Two start-stop lines with the same settings."""
    named = {name: one for name in waves if (one := singles[name].serial) is not None and one.bus == "uart"}
    for first, second in zip(list(named), list(named)[1:], strict=False):
        if named[first].options == named[second].options:
            one, other = named[first], named[second]
            said, span = (*one.said[:4], *other.said[:4]), max(one.span, other.span)
            both = replace(one, said=said, span=span, frames=one.frames + other.frames)
            yield Together(both, {"tx": first, "rx": second})
            return


def _line(wave: Waveform) -> Line | None:
    try:
        line = line_of(wave, LogicLevels.read("auto"))
    except WavewrightError:
        return None
    return line if line.times.size >= 4 else None


def _period(clock: Line) -> float:
    return float(np.median(np.diff(clock.rising)))


def _regularity(line: Line) -> float:
    """Number of periods of the most frequent duration: the clock of a bus has the most; 0 where most differ."""
    periods = np.diff(line.rising)
    if periods.size < 7:
        return 0.0
    middle = float(np.median(periods))
    alike = np.abs(periods - middle) < 0.1 * middle
    return float(alike.sum()) if alike.mean() > 0.6 else 0.0


def _frames_bursts(select: Line, clock: Line) -> bool:
    """Whether the clock moves only while this line is in one of its states, and rests whenever it changes."""
    if select.times.size >= clock.times.size / 4:
        return False
    state = select.is_high(clock.times)
    return bool(state.all() or not state.any())


def _moves_with(data: Line, clock: Line) -> bool:
    """Whether all its changes are within a clock period of some edge of the clock."""
    if not data.times.size:
        return False
    places = np.clip(np.searchsorted(clock.times, data.times), 1, clock.times.size - 1)
    nearest = np.minimum(np.abs(data.times - clock.times[places - 1]), np.abs(clock.times[places] - data.times))
    return float(np.mean(nearest <= _period(clock))) > 0.8


def _phase(clock: Line, data: list[Line], *, idle: bool) -> int:
    """CPHA: 0 where data are stable at the leading edges of the clock, 1 where they change there."""
    leading, trailing = (clock.falling, clock.rising) if idle else (clock.rising, clock.falling)
    near = [0, 0]
    for line in data:
        for place, edges in enumerate((leading, trailing)):
            if edges.size and line.times.size:
                at = np.clip(np.searchsorted(edges, line.times, side="right") - 1, 0, edges.size - 1)
                after = line.times - edges[at]
                near[place] += int(((after >= 0) & (after < 0.25 * _period(clock))).sum())
    return int(near[0] > near[1])


def _rests_high(line: Line) -> bool:
    bounds = np.concatenate([[line.start], line.times, [line.end]])
    spans = np.diff(bounds)
    high = float(spans[0 if line.first else 1 :: 2].sum())
    return high > (line.end - line.start) / 2
