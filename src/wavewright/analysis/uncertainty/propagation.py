"""Propagation: the budget of any reading, by computing it again on changed waveforms.

The sensitivity to an influence is half the difference of the reading with the waveform changed by one standard
uncertainty up and down (JCGM 100:2008, 5.1.3 note 2 †): no formula for any metric, and a step that is as large as the
error that is meant, so that sample and code do not make the derivative noise. Where both changes move the reading the
same way, as an offset does with the rms of a sine about 0, half the curvature counts as well (JCGM 100:2008, 5.1.2 †).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from wavewright.analysis.doubts import EXTREMES, LEVELS, Doubt, Finding, Reads
from wavewright.analysis.reading import Reading
from wavewright.analysis.uncertainty.affine import Affine, Change, Evaluate
from wavewright.analysis.uncertainty.bending import of_all_knots
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.analysis.uncertainty.distribution import Distribution
from wavewright.analysis.uncertainty.edge_speed_terms import terms_of_edges
from wavewright.analysis.uncertainty.influences import (
    NO_FURTHER,
    Along,
    Direction,
    Influence,
    Influences,
    InputOfReading,
    Unstated,
    Way,
    influences_of,
)
from wavewright.analysis.uncertainty.noise_draws import drawn_noise
from wavewright.analysis.uncertainty.noise_in_squares import noise_in_squares
from wavewright.analysis.uncertainty.noise_of_input import noise_of_input
from wavewright.analysis.uncertainty.recounting import COUNTS, counted_again

ROUNDING = 1e-11  # of the value; what rounding of floats leaves of a change
NOTICEABLE = 1e-9  # of the value: it depends on something of which nothing is stated
OF_DISTORTION = ("1", "dB", "bit")  # units of metrics that hold one part of a spectrum against another
DEGREES, TURN = "deg", 360.0
OF_LEVELS = (Way.GAIN, Way.OFFSET)
ENOUGH_LEVELS = 4  # directions of levels that are worth one try together
GOLDEN = (math.sqrt(5) - 1) / 2
AT_ENDS = EXTREMES | frozenset(LEVELS)
NOTHING = 1e-6  # of what the record leaves uncertain: no change that matters


@dataclass(slots=True)
class Propagation:
    """What a reading does along each direction, computed once for each.

    Parameters
    ----------
    steps : by direction, the size of the change that is tried.
    least : a smaller change of the reading is none.
    is_of_ends : it is read at the lowest and the highest values alone: what is between them does not move it.
    lost : directions along which there is no reading; untried : influences that were not tried in every way.
    """

    value: float
    evaluate: Evaluate
    steps: dict[Direction, float]
    least: float = 0.0
    is_of_ends: bool = False
    lost: list[Direction] = field(default_factory=list)
    untried: list[str] = field(default_factory=list)
    _idle: bool | None = None
    _moves: dict[Direction, tuple[float, float]] = field(default_factory=dict)

    def moves(self, direction: Direction) -> tuple[float, float]:
        """First and second order of what a step makes in the reading: half the difference, and the curvature."""
        if direction not in self._moves:
            idle = direction.way in OF_LEVELS and self._knows_no_level
            self._moves[direction] = (0.0, 0.0) if idle else self._tried(direction)
        return self._moves[direction]

    @property
    def _knows_no_level(self) -> bool:
        """Whether all gains and offsets at once change nothing, as of most times between several channels.

        Tried once, where that is less than to try each; by shares that no effects of a kind cancel at.
        """
        levels = [one for one in self.steps if one.way in OF_LEVELS]
        if len(levels) < ENOUGH_LEVELS:
            return False
        if self._idle is None:
            affine: dict[str, Affine] = {}
            for number, direction in enumerate(levels, 1):
                amount = self.steps[direction] * (number * GOLDEN % 1 / 2 + 1 / 2)
                for name in direction.inputs:
                    one = affine.get(name, Affine())
                    is_gain = direction.way is Way.GAIN
                    affine[name] = replace(one, gain=1 + amount) if is_gain else replace(one, offset=amount)
            found = self.evaluate(affine)
            self._idle = found is not None and abs(found - self.value) <= self.least
        return self._idle

    def _tried(self, direction: Direction) -> tuple[float, float]:
        step = self.steps[direction]
        up = self.evaluate(direction.change(step))
        if up is not None and abs(up - self.value) <= self.least:
            return 0.0, 0.0  # a reading that does not know the scale, as most times do: it does not either way
        down = self.evaluate(direction.change(-step))
        found = [value for value in (up, down) if value is not None and math.isfinite(value)]
        if len(found) < 2:
            self.lost.append(direction)
        if not found:
            return 0.0, 0.0
        if up is None or not math.isfinite(up):
            return self.value - found[0], 0.0
        if down is None or not math.isfinite(down):
            return up - self.value, 0.0
        first, second = (up - down) / 2, up + down - 2 * self.value
        dust = ROUNDING * max(abs(self.value), abs(up), abs(down))
        return (0.0 if abs(first) <= dust else first), (0.0 if abs(second) <= 4 * dust else second)

    def contribution(self, influence: Influence) -> Contribution:
        """What an influence makes of the reading."""
        ends = [self._effect(end) for end in influence.ends or (influence.along,)]
        is_bound = influence.is_bound
        firsts = [one for one, _ in ends]
        if influence.bends is not None and not self.is_of_ends:
            inner = influence.bends.effects(self.value, self.evaluate, least=self.least)
            firsts = firsts if inner is None else of_all_knots(firsts[0], firsts[1], inner)
            self.untried += [influence.name] if inner is None else []
        first = math.fsum(map(abs, firsts)) if is_bound else firsts[0]
        second = math.fsum(abs(other) for _, other in ends)
        standard = math.copysign(math.hypot(first, second / math.sqrt(2)), first)
        (_, amount), *more = influence.along
        sensitivity = None if is_bound or more or not amount else first / amount
        return Contribution(
            influence.name,
            standard,
            key=influence.key,
            distribution=influence.distribution,
            sensitivity=sensitivity,
            source=influence.source,
            is_bound=is_bound,
        )

    def _effect(self, along: Along) -> tuple[float, float]:
        """First and second order of what one standard uncertainty along some directions at once makes."""
        first = second = 0.0
        for direction, amount in along:
            if amount:
                share = amount / self.steps[direction]
                slope, curvature = self.moves(direction)
                first += share * slope
                second += share * share * curvature
        return first, second

    def at_worst(self, alike: Sequence[Influence]) -> Iterator[Contribution]:
        """Of errors that may be one and the same, or may not: added as if they all went the worse way."""
        groups: dict[str, list[Influence]] = {}
        for influence in alike:
            groups.setdefault(influence.alike, []).append(influence)
        for group in groups.values():
            parts = [part for part in map(self.contribution, group) if part.standard]
            if len(parts) < 2:
                yield from parts
                continue
            yield replace(
                parts[0],
                name=f"{parts[0].name}, and {len(parts) - 1} more that may be the same",
                standard=math.fsum(abs(part.standard) for part in parts),
                key="+".join(part.key for part in parts),
                sensitivity=None,
                is_bound=True,
            )


def with_budget(
    reading: Reading,
    inputs: Sequence[InputOfReading],
    evaluate: Evaluate,
    *,
    parts: Collection[Reads] = (),
    further: Influences = NO_FURTHER,
) -> Reading:
    """The reading with its budget, and with a doubt where it depends on the accuracy of the inputs.

    Parameters
    ----------
    inputs : the captured channels that it depends on.
    evaluate : the metric on changed waveforms of them.
    parts : what the metric reads of a record.
    further : errors that are not of one of the inputs.
    """
    if reading.value is None or not math.isfinite(reading.value):
        return reading
    if reading.unit == COUNTS:
        return counted_again(reading, inputs, evaluate, further=further)
    if reading.unit == DEGREES:
        evaluate = _unwrapped(evaluate, reading.value)
    said = reading.uncertainty
    known = said if said is not None and math.isfinite(said) else None
    of_inputs, unstated_of_inputs = influences_of(inputs)
    stated, unstated = [*of_inputs, *further.stated], [*unstated_of_inputs, *further.unstated]
    least = max(ROUNDING * abs(reading.value), NOTHING * (known or 0.0))
    # what is counted on a line is tried at the ends of the time base: what times are tried at as well is shared
    factor = math.sqrt(3) if Reads.FRAMES in parts else 1.0
    propagation = Propagation(
        reading.value, evaluate, _steps(stated, of_time=factor), least, is_of_ends=bool(parts) and set(parts) <= AT_ENDS
    )
    systematic = [propagation.contribution(one) for one in stated if not one.alike]
    systematic += propagation.at_worst([one for one in stated if one.alike])
    least = max(NOTICEABLE * abs(reading.value), NOTHING * (known or 0.0))
    missing = [one.name for one in unstated if _matters(one, reading.value, evaluate, least=least)]
    of_edges, lacking_of_edges = terms_of_edges(reading, parts, inputs)
    missing += lacking_of_edges
    random = [*of_edges, *of_record(reading)]
    if known is None:
        samples = sum(len(one.survey) for one in inputs)
        drawn, lacking = drawn_noise([one.name for one in inputs], samples, evaluate)
        random += [] if drawn is None else [drawn]
        missing += [lacking] if lacking else []
    missing += propagation.untried
    missing += _lacking_course(reading, parts, inputs)
    lifted, lacking = noise_of_input(parts, inputs)
    random += lifted
    missing += [lacking] if lacking else []
    standard = math.hypot(*(one.standard for one in (*systematic, *random)))
    squares, lacking = noise_in_squares(reading.value, reading.unit, parts, inputs, evaluate, standard=standard)
    missing += [lacking] if lacking else []
    budget = Budget(reading.value, reading.unit, (*systematic, *random, *squares), tuple(missing))
    return _doubted(replace(reading, budget=budget), propagation)


def _unwrapped(evaluate: Evaluate, value: float) -> Evaluate:
    """Phases by the turn that is nearest to a value: from 179.9 deg to −179.9 deg it is 0.2 deg."""

    def nearest(change: Change) -> float | None:
        found = evaluate(change)
        return None if found is None else value + math.remainder(found - value, TURN)

    return nearest


def of_record(reading: Reading) -> Iterable[Contribution]:
    """The part of the uncertainty that the record itself shows: scatter with its degrees of freedom, and the rest."""
    total = reading.uncertainty
    if not total or not math.isfinite(total):
        return
    count, spread = reading.count or 0, reading.standard_deviation
    is_mean = reading.at is None and spread is not None and count > 1
    scatter = spread / math.sqrt(count) if is_mean and spread is not None else 0.0
    if scatter > total * (1 + 1e-9):
        scatter = 0.0  # the spread of something else than what was averaged
    if scatter:
        yield Contribution(
            "scatter in the record",
            scatter,
            distribution=Distribution.T,
            degrees_of_freedom=count - 1,
            source=f"{count} occurrences",
        )
    rest = math.sqrt(max(0.0, total * total - scatter * scatter))
    if rest > 1e-6 * total:
        yield Contribution("noise and resolution of the record", rest, source="the record")


def _steps(stated: Iterable[Influence], *, of_time: float = 1.0) -> dict[Direction, float]:
    """Along each direction the root sum of squares of all that goes along it, of the time base as much more."""
    squares: dict[Direction, float] = {}
    for influence in stated:
        for direction, amount in influence.ways:
            squares[direction] = math.hypot(squares.get(direction, 0.0), amount)
    return {
        direction: of_time * size if direction.way is Way.TIMEBASE else size
        for direction, size in squares.items()
        if size
    }


def _matters(one: Unstated, value: float, evaluate: Evaluate, *, least: float) -> bool:
    """Whether the reading changes, by more than `least`, along a direction of which nothing is stated."""
    for sign in (1.0, -1.0):
        changed = evaluate(one.direction.change(sign * one.step))
        if changed is None or abs(changed - value) > least:
            return True
    return False


def _lacking_course(reading: Reading, parts: Collection[Reads], inputs: Sequence[InputOfReading]) -> list[str]:
    """What is not known of a distortion where nobody has stated how straight the converter is.

    The limits of gain and offset bound every level, and say nothing about harmonics, which only a curve makes.
    """
    if Reads.SPECTRUM not in parts or reading.unit not in OF_DISTORTION or len(inputs) != 1:
        return []
    return [f"non-linearity of `{one.survey.name}`" for one in inputs if one.stated.nonlinearity is None]


def _doubted(reading: Reading, tried: Propagation) -> Reading:
    """A doubt where a change within the accuracy leaves no reading."""
    if not tried.lost:
        return reading
    what = " and ".join(dict.fromkeys(f"{one.way} of {_names(one)}" for one in tried.lost))
    text = f"with the {what} one standard uncertainty away there is nothing to measure"
    finding = Finding(Doubt.DEPENDS_ON_ACCURACY, text)
    return replace(reading, doubts=(*reading.doubts, finding.doubt), findings=(*reading.doubted, finding))


def _names(direction: Direction) -> str:
    return " and ".join(f"`{name}`" for name in direction.inputs)
