"""Load step: how far a supply rail is thrown off when its load changes, and how long it takes to come back.

The channels are the rail and, if there is one, the load current, whose edge then tells when the step was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.moments import moments_of
from wavewright.analysis.reading import Doubt, Occurrences, Reading
from wavewright.analysis.sense import ANY, POSITIVE
from wavewright.analysis.stretch import stretch
from wavewright.analysis.survey import Survey
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform

SOURCE = "common practice, no source"
LAST_PART = 0.1  # of what follows the step: there the rail is taken to have come to rest
FEWEST = 10  # samples before and after the step
BLOCK = 1 << 16  # samples


@dataclass(frozen=True, slots=True, eq=False)
class LoadStep:
    """A rail at a load step.

    Parameters
    ----------
    time : of the step, s.
    before, final : of the rail, in its unit: mean before the step, mean of the last tenth of what follows it.
    noise : standard deviation before the step, in the unit.
    after : the rail from the step on.
    """

    time: float
    before: float
    final: float
    noise: float
    size_before: int
    after: Waveform


@metric("load_step_dip", unit="", source=SOURCE, channels=(1, 2))
def load_step_dip(
    rail: Survey, load: Survey | None = None, *, step: Annotated[float, "s", ANY] | None = None
) -> Reading:
    """Load step dip: largest deviation of a rail after a load step from its mean before it, up or down, as a magnitude.

    Drawing
    -------
      before ─────┐         ┬
                  │         │ dip
                  │   ╭──────── final
                  ╰╮╭─╯     │
                   ╰╯       ┴
                  step

    Parameters
    ----------
    step : time of the step, s; None: the first edge of the load current where that is the second channel, else 0, the
        trigger.

    Returns
    -------
    Reading in the rail's unit; its occurrence has the time of the extreme, and the deviation with its sign. Doubt
    `noisy` where it is below six standard deviations of the noise before the step.
    """
    found = find_load_step(rail, load, step=step)
    lowest, highest = float(found.after.codes.min()), float(found.after.codes.max())
    deviations = {code: found.after.value_of(code) - found.before for code in (lowest, highest)}
    code = max(deviations, key=lambda extreme: abs(deviations[extreme]))
    when = found.after.time_of(int((found.after.codes == code).argmax()))
    deviation = deviations[code]
    return Reading(
        abs(deviation),
        rail.unit,
        uncertainty=math.hypot(found.noise, found.noise / math.sqrt(found.size_before)),
        doubts=(Doubt.NOISY,) if abs(deviation) < 6 * found.noise else (),
        count=1,
        occurrences=Occurrences(np.array([when]), np.array([deviation])),
    )


@metric("recovery_time", unit="s", source=SOURCE, channels=(1, 2))
def recovery_time(
    rail: Survey,
    load: Survey | None = None,
    *,
    band: Annotated[float, "1", POSITIVE] = 0.01,
    step: Annotated[float, "s", ANY] | None = None,
) -> Reading:
    """Recovery time: from a load step to the last entry of the rail into a band round its final value.

    Drawing
    -------
      ────────┐
              │     ╭──────────  band round the
              │   ╭─╯╌╌╌╌╌╌╌╌╌╌  final value
              ╰───╯
              ├─────┤ recovery time
              step

    Parameters
    ----------
    band : half its height, as a part of the final value.
    step : as of `load_step_dip`.

    Returns
    -------
    Reading in s; 0 where the rail never left the band.

    Raises
    ------
    NotMeasurable : outside the band in the last tenth of the record, or a final value of 0.
    """
    found = find_load_step(rail, load, step=step)
    half = abs(band * found.final)
    if half == 0:
        raise NotMeasurable(f"`{rail.name}`: final value {found.final:g} {rail.unit}", expected="one that is not 0")
    last = _last_outside(found.after, found.final - half, found.final + half)
    size = len(found.after)
    if last >= size - max(1, int(LAST_PART * size)):
        raise NotMeasurable(
            f"`{rail.name}`: outside {found.final:.6g} {rail.unit} ± {half:.3g} {rail.unit} up to the last tenth",
            expected="a rail that comes to rest in the record",
            do="lengthen `span`, widen `band`, or limit the bandwidth",
        )
    wave = found.after
    # less than one interval before the first sample: the rail was outside at the step itself
    time = 0.0 if last < 0 else wave.time_of(_entry(wave, last, found.final, half)) - found.time
    doubts = (Doubt.NOISY,) if half < 3 * found.noise else ()
    return Reading(time, "s", uncertainty=wave.interval / math.sqrt(12), doubts=doubts)


def find_load_step(rail: Survey, load: Survey | None = None, *, step: float | None = None) -> LoadStep:
    """The rail before and after a load step; parameters as of the metric `load_step_dip`.

    Raises
    ------
    NotMeasurable : no step in the record, or fewer than 10 samples before or after it.
    """
    time = _time_of_step(load) if step is None and load is not None else step or 0.0
    whole = stretch(rail, least=2 * FEWEST)
    first = math.ceil((time - whole.start) / whole.interval - 1e-9)
    if not FEWEST <= first <= len(whole) - FEWEST:
        behind = max(0, len(whole) - first)
        raise NotMeasurable(
            f"`{rail.name}`: {max(0, first)} samples before and {behind} after the step at {time:g} s",
            expected=f"at least {FEWEST} of each",
            do="put the step into the record with `before_trigger`, or give `step`",
        )
    before = stretch(rail, least=FEWEST, until=whole.time_of(first - 1), may_be_constant=True)
    after = stretch(rail, least=FEWEST, after=whole.time_of(first), may_be_constant=True)
    last = after.codes[-max(1, int(LAST_PART * len(after))) :]
    quiet = moments_of(before.codes)
    return LoadStep(
        time=time,
        before=before.value_of(quiet.mean),
        final=after.value_of(moments_of(last).mean),
        noise=abs(before.gain) * math.sqrt(quiet.variance),
        size_before=len(before),
        after=after,
    )


def _time_of_step(load: Survey) -> float:
    edges = load.crossings((load.levels.low + load.levels.high) / 2).either
    if not edges.size:
        raise NotMeasurable(f"`{load.name}`: no step of the load", expected="an edge", do="give `step`")
    return float(edges[0])


def _last_outside(wave: Waveform, low: float, high: float) -> int:
    """Index of the last sample outside a band, −1 where there is none; looks from the end."""
    lower, upper = sorted((wave.code_of(low), wave.code_of(high)))
    for end in range(len(wave), 0, -BLOCK):
        part = wave.codes[max(0, end - BLOCK) : end]
        outside = np.flatnonzero((part < lower) | (part > upper))
        if outside.size:
            return max(0, end - BLOCK) + int(outside[-1])
    return -1


def _entry(wave: Waveform, last: int, final: float, half: float) -> float:
    """Place of the crossing into the band behind the last sample outside it."""
    outside, inside = (float(value) for value in wave.values(last, last + 2))
    edge = final + math.copysign(half, outside - final)
    return last + (outside - edge) / (outside - inside)
