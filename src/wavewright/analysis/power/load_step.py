"""Load step: how far a supply rail is thrown off when its load changes, and how long it takes to come back.

The channels are the rail and, if there is one, the load current, whose edge then shows when the step was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.reading import Doubt, Occurrences, Reading
from wavewright.analysis.record.moments import moments_of
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.record.time_gate import segment
from wavewright.analysis.sense import ANY, POSITIVE
from wavewright.analysis.transitions.last_entry import SettlingBand, find_last_entries
from wavewright.errors import NotMeasurable
from wavewright.waveform import Waveform

SOURCE = "common practice, no source"
LAST_PART = 0.1  # of what follows the step: there the rail is taken to have come to rest
FEWEST = 10  # samples before and after the step


@dataclass(frozen=True, slots=True, eq=False)
class LoadStep:
    """A rail at a load step.

    Parameters
    ----------
    time : of the step, s. `lead` : from the step to the first sample of `after`, s.
    before, final : of the rail, in its unit: mean before the step, mean of the last tenth of what follows it.
    noise : standard deviation before the step, in the unit.
    after : the rail from the step on.
    """

    time: float
    lead: float
    before: float
    final: float
    noise: float
    size_before: int
    after: Waveform


@metric("load_step_dip", reads=(*EXTREMES, Reads.SAMPLES), unit="", source=SOURCE, channels=(1, 2))
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


@metric("recovery_time", reads=Reads.TRANSITIONS, unit="s", source=SOURCE, channels=(1, 2))
def recovery_time(
    rail: Survey,
    load: Survey | None = None,
    *,
    band: Annotated[float, "1", POSITIVE] = 0.01,
    step: Annotated[float, "s", ANY] | None = None,
) -> Reading:
    """Recovery time: from a load step to the last entry of the rail into a band around its final value.

    Drawing
    -------
      ────────┐
              │     ╭──────────  band around the
              │   ╭─╯╌╌╌╌╌╌╌╌╌╌  final value
              ╰───╯
              ├─────┤ recovery time
              step

    Parameters
    ----------
    band : half its height, as a part of the final value.
    step : as for `load_step_dip`.

    Returns
    -------
    Reading in s; 0 where the rail never left the band. Noise is averaged out, see `last_entry`: the uncertainty has its
    share, and the doubt `noisy` is there where the averages may leave the band by chance.

    Raises
    ------
    NotMeasurable : outside the band in the last tenth of the record, or a final value of 0.
    """
    found = find_load_step(rail, load, step=step)
    half = abs(band * found.final)
    if half == 0:
        raise NotMeasurable(f"`{rail.name}`: final value {found.final:g} {rail.unit}", expected="one that is not 0")
    wave, size = found.after, len(found.after)
    low, high = sorted((wave.code_of(found.final - half), wave.code_of(found.final + half)))
    inside = SettlingBand(low, high, rail.record.noise / abs(wave.gain))
    entry = find_last_entries(wave.codes, np.array([0]), np.array([size]), inside, leaves=np.array([False]))
    place, uncertainty = float(entry.place[0]), float(entry.uncertainty[0])
    if math.isnan(place) or place >= size - max(1, int(LAST_PART * size)):
        raise NotMeasurable(
            f"`{rail.name}`: outside {found.final:.6g} {rail.unit} ± {half:.3g} {rail.unit} up to the last tenth",
            expected="a rail that settles within the record",
            do="lengthen `span`, widen `band`, or limit the bandwidth",
        )
    # less than one interval before the first sample: the rail was outside at the step itself
    time = 0.0 if place < 0 else wave.interval * place + found.lead
    return Reading(
        time,
        "s",
        uncertainty=wave.interval * math.hypot(uncertainty, 1 / math.sqrt(12)),
        doubts=(Doubt.NOISY,) if entry.is_noisy[0] else (),
    )


def find_load_step(rail: Survey, load: Survey | None = None, *, step: float | None = None) -> LoadStep:
    """The rail before and after a load step; parameters as of the metric `load_step_dip`.

    Raises
    ------
    NotMeasurable : no step in the record, or fewer than 10 samples before or after it.
    """
    whole = segment(rail, least=2 * FEWEST)
    since = _time_of_step(rail, load) if step is None and load is not None else (step or 0.0) - whole.start
    place = since / whole.interval
    first = math.ceil(place - 1e-9)
    if not FEWEST <= first <= len(whole) - FEWEST:
        after = max(0, len(whole) - first)
        raise NotMeasurable(
            f"`{rail.name}`: {max(0, first)} samples before and {after} after the step at {whole.start + since:g} s",
            expected=f"at least {FEWEST} of each",
            do="put the step into the record with `before_trigger`, or give `step`",
        )
    before, later = whole.part(0, first), whole.part(first, len(whole))
    last = later.codes[-max(1, int(LAST_PART * len(later))) :]
    quiet = moments_of(before.codes)
    return LoadStep(
        time=whole.start + since,
        lead=whole.interval * (first - place),
        before=before.value_of(quiet.mean),
        final=later.value_of(moments_of(last).mean),
        noise=abs(before.gain) * math.sqrt(quiet.variance),
        size_before=len(before),
        after=later,
    )


def _time_of_step(rail: Survey, load: Survey) -> float:
    """The first edge of the load, s after the first sample of the rail."""
    edges = load.crossings((load.levels.low + load.levels.high) / 2).either_since
    if not edges.size:
        raise NotMeasurable(f"`{load.name}`: no step of the load", expected="an edge", do="give `step`")
    return (load.wave.start - rail.wave.start) + float(edges[0])
