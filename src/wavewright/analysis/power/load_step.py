"""Load step: how far a supply rail is thrown off when its load changes, and how long it takes to come back.

The channels are the rail and, if there is one, the load current, whose edge then shows when the step was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np

from wavewright.analysis.catalogue import metric
from wavewright.analysis.doubts import EXTREMES, Reads
from wavewright.analysis.elementary.exponentials import square
from wavewright.analysis.levels.between_samples import LEAST_MISSED, NOISE_OF_RISE, missed_at
from wavewright.analysis.levels.extreme_lift import OF_LIFT
from wavewright.analysis.reading import Doubt, Finding, Occurrences, Reading
from wavewright.analysis.record.moments import moments_of
from wavewright.analysis.record.survey import Survey
from wavewright.analysis.record.time_gate import segment
from wavewright.analysis.sense import ANY, POSITIVE
from wavewright.analysis.transitions.last_entry import SettlingBand, find_last_entries
from wavewright.analysis.transitions.still_moving import later_entry, with_later_entry
from wavewright.errors import NotMeasurable
from wavewright.quantities import show_quantity
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

    @property
    def step_of_code(self) -> float:
        """Standard uncertainty of one code by its rounding, in the rail's unit (JCGM 100:2008, 4.3.7)."""
        return abs(self.after.gain) / math.sqrt(12) if self.after.codes.dtype.kind in "iu" else 0.0

    @property
    def uncertainty_of_final(self) -> float:
        """Of the final value, standard: its rounding to codes, and the noise of the samples that it is the mean of."""
        return math.hypot(self.step_of_code, self.noise / math.sqrt(max(1, int(LAST_PART * len(self.after)))))

    def missed_at(self, place: int, *, upward: bool) -> float:
        """How far the rail may go beyond an extreme sample, between it and the next ones; in its unit, less noise.

        The first samples after a step may lie anywhere on the way back: by the share that the rail comes back by until
        the next sample, it may have come back before the first one too.
        """
        codes = self.after.codes
        found = missed_at(codes, place, upward=upward)
        if place <= 1 and place + 1 < codes.size:
            first, second = (abs(float(codes[at]) - self.after.code_of(self.final)) for at in (place, place + 1))
            if second < first:
                found = max(found, min(first, first * (first / second - 1)) if second else first)
        missed = square(abs(self.after.gain) * found) - square(NOISE_OF_RISE * self.noise)
        return math.sqrt(max(0.0, missed))

    def lateness(self, error: float, place: float) -> float:
        """How much later or earlier, s, the rail is where it would be with an error of its final value.

        By how fast it moves near a place, in samples from the step on, over a tenth of the way up to it.
        """
        reach = max(1, round(place * LAST_PART))
        first, last = max(0, int(place) - reach), min(len(self.after) - 1, int(place) + 1 + reach)
        change = abs(float(self.after.codes[last]) - float(self.after.codes[first])) * abs(self.after.gain)
        change = max(change, self.step_of_code, self.noise)
        return error * self.after.interval * (last - first) / change if change else 0.0


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
    place = int((found.after.codes == code).argmax())
    when = found.after.time_of(place)
    deviation = deviations[code]
    missed = found.missed_at(place, upward=code == highest)
    spreads = (found.noise, found.noise / math.sqrt(found.size_before), math.sqrt(2) * found.step_of_code)
    reading = Reading(
        abs(deviation),
        rail.unit,
        uncertainty=math.hypot(*spreads, OF_LIFT * missed),
        doubts=(Doubt.NOISY,) if abs(deviation) < 6 * found.noise else (),
        count=1,
        occurrences=Occurrences(np.array([when]), np.array([deviation])),
    )
    if missed <= LEAST_MISSED * abs(deviation):
        return reading
    text = f"between two samples the rail may go {show_quantity(missed, rail.unit)} further"
    finding = Finding(Doubt.FEW_SAMPLES, text, 0.0, missed, decides=False)
    return replace(reading, doubts=(*reading.doubts, finding.doubt), findings=(finding,))


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
    depth = float(np.abs(wave.codes - wave.code_of(found.final)).max()) * abs(wave.gain) / half
    stay = size * (1 - LAST_PART / 2) - place
    later = wave.interval * later_entry(place + found.lead / wave.interval, stay, depth) if place > 0 else 0.0
    of_final = found.lateness(found.uncertainty_of_final, place) if place > 0 else 0.0
    spreads = (wave.interval * uncertainty, wave.interval / math.sqrt(12), of_final)
    reading = Reading(
        time,
        "s",
        uncertainty=math.hypot(*spreads, later / math.sqrt(3) if math.isfinite(later) else 0.0),
        doubts=(Doubt.NOISY,) if entry.is_noisy[0] else (),
    )
    return with_later_entry(reading, later)


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
