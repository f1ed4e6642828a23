"""The readings of a calibration: what was read, what is true, how well each is known, and at which input."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean, stdev

from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.uncertainty.budget import Budget, mean
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.setups import InputSetup
from wavewright.judgement.doubting import without_allowed
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.calibration import UNITS, CorrectedQuantity, is_reading, known_value
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.recipe import Recipe
from wavewright.running.instrument_settings import requested_setup
from wavewright.running.outcome import Outcome
from wavewright.running.result import MeasurementOutcome, Result

ENOUGH_POSITIONS = 8  # of the range against the codes: their scatter shows what the width of a code does
OF_A_DELAY = 2  # channels: the reference, and the other


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty: what scatters, and what all values of one instrument share.

    `budget` : the same by causes, each of which has an identity: that of two values may be one.
    """

    value: float
    scatter: float
    budget: Budget
    common: float = 0.0


@dataclass(frozen=True, slots=True)
class Seen:
    """An input as it stood when a reading was taken, its range and offset as read back.

    `code` : standard uncertainty of a mean from the width of a code, V.
    """

    setup: InputSetup
    code: float


class CalibrationReadings:
    """The readings of one run, held to be good enough for a correction."""

    def __init__(self, outcome: Outcome, recipe: Recipe, bench: BenchFile) -> None:
        self._outcome, self._recipe, self._bench = outcome, recipe, bench
        self._measurements = {one.label: one for one in recipe}

    def _results(self, word: str) -> list[tuple[MeasurementOutcome, Result]]:
        """Every result that a name means: of one condition, or of all conditions of a measurement."""
        found = [
            (one, result)
            for one in self._outcome.measurements
            for result in one.results
            if word in (f"{one.name}.{result.name}", f"{one.label}.{result.name}")
        ]
        for one, result in found:
            self._check_result(one.label, result)
        if not found:
            raise BenchFault(f"there is no reading `{word}`", where=self._recipe.path, do="calibrate again")
        return found

    def _check_result(self, label: str, result: Result) -> None:
        """A correction that rests on a bad reading would spoil every run after it."""
        reading, measurement = result.reading, self._measurements[label]
        entry = measurement.compute.get(result.name)
        # what is calibrated may be overdue, what it is held against may not
        own = {} if entry is None else {**entry.doubts, Doubt.CALIBRATION_OVERDUE: True}
        rules = {**measurement.doubts, **own}
        doubts = [one.sentence for one in without_allowed(reading.doubted, rules) if one.bears]
        why = ""
        if result.verdict not in (None, Verdict.PASS):
            why = result.reason or f"its limit is {result.limit}"
        elif reading.value is None or not all(_is_number(one) for one in (reading, *result.shots)):
            why = reading.reason or "not every shot has a value"
        elif doubts:
            why = "; ".join(doubts)
        if why:
            raise BenchFault(
                f"no correction comes of `{label}.{result.name}`: {why}",
                where=self._recipe.path,
                expected="readings within their limits and without doubts",
                do="mend the set-up, and calibrate again",
            )

    def read(self, words: Sequence[str], quantity: CorrectedQuantity) -> tuple[Estimate, list[Seen]]:
        """The mean of the named readings of the digitizer, and the inputs as they stood.

        What scatters over the shots, and over the conditions of one name, is in the uncertainty (JCGM 100:2008, 4.2.3).
        The width of a code is, too: as it stands where the record stays on one code, less where it runs over many, and
        not beside the scatter where the range was moved against the codes.
        """
        seen: list[Seen] = []
        means, spreads = [], []
        for word in words:
            results = self._results(word)
            seen += [self._seen(one, result) for one, result in results]
            each = [fmean(reading.value or 0.0 for reading in result.shots) for _, result in results]
            spread = math.hypot(*(_scatter(result) for _, result in results)) / len(results)
            means.append(fmean(each))
            spreads.append(max(spread, stdev(each) / math.sqrt(len(each)) if len(each) > 1 else 0.0))
        scatter = math.hypot(*spreads) / len(spreads)
        if (
            quantity in (CorrectedQuantity.OFFSET, CorrectedQuantity.GAIN)
            and len({one.setup.offset for one in seen}) < ENOUGH_POSITIONS
        ):
            scatter = math.hypot(scatter, max(one.code for one in seen))
        where = f"{' and '.join(words)} of input {seen[0].setup.input}"
        cause = Contribution("readings", scatter, key=where)
        return Estimate(fmean(means), scatter, Budget(fmean(means), UNITS[quantity], (cause,))), seen

    def true(self, word: str, quantity: CorrectedQuantity, *, at: str = "") -> Estimate:
        """What is held against: a reading of another instrument, or a known value.

        Parameters
        ----------
        at : the place of a known value: that at another place is another one.
        """
        unit = UNITS[quantity]
        if not is_reading(word):
            limits = known_value(word, quantity)
            value, common = (limits.low + limits.high) / 2, (limits.high - limits.low) / 2 / math.sqrt(3)
            cause = Contribution("known value", common, key=f"{word} {at}".strip())
            return Estimate(value, 0.0, Budget(value, unit, (cause,)), common)
        results = [result for _, result in self._results(word)]
        shots = [reading for result in results for reading in result.shots]
        stated = [reading.uncertainty for reading in shots]
        if any(one is None for one in stated):
            raise BenchFault(
                f"how well `{word}` is known is not stated",
                where=self._recipe.path,
                expected="an accuracy in the profile of the instrument that reads it",
            )
        values = [reading.value or 0.0 for reading in shots]
        scatter = stdev(values) / math.sqrt(len(values)) if len(values) > 1 else 0.0
        common = max(one or 0.0 for one in stated)
        budgets = [result.reading.budget for result in results]
        if any(budget is None or budget.unit != unit for budget in budgets):
            cause = Contribution("reading", math.hypot(scatter, common), key=word)
            return Estimate(fmean(values), scatter, Budget(fmean(values), unit, (cause,)), common)
        joined = mean([budget for budget in budgets if budget is not None])
        named = tuple(replace(one, key=one.key or f"{word} {one.name}") for one in joined.contributions)
        return Estimate(fmean(values), scatter, replace(joined, contributions=named), common)

    def _seen(self, one: MeasurementOutcome, result: Result) -> Seen:
        """The last channel of a reading: the one that is compared with those before it."""
        measurement, channel = self._measurements[one.label], result.of[-1]
        number, used = measurement.channels[channel].input, one.read_back
        head = f"input{number}."
        setup = self._setup(measurement, channel)
        if f"{head}upper" in used and f"{head}lower" in used:
            low, high = float(used[f"{head}lower"]), float(used[f"{head}upper"])
            span, middle = high - low, (high + low) / 2
        else:
            span = float(used.get(f"{head}range", setup.range))
            middle = float(used.get(f"{head}offset", setup.offset))
        return Seen(replace(setup, range=span, offset=middle), self._code(one.label, channel))

    def _setup(self, measurement: Measurement, channel: str) -> InputSetup:
        attenuations = {number: probe.attenuation for number, probe in self._bench.probes.items()}
        return requested_setup(measurement, attenuations=attenuations).setup.inputs[channel]

    def _code(self, label: str, channel: str) -> float:
        """Standard uncertainty of a mean from the width of a code, V.

        Rectangular (JCGM 100:2008, 4.3.7) for a record that stays on one code. A record that runs over n codes averages
        over them: of one that lingers at its ends, as a sine does, an error of the order of 1/√n is left (math).
        """
        wave = self._outcome.captures[label][0][channel]
        if wave.codes.dtype.kind == "f":
            return 0.0
        covered = max(1, int(wave.codes.max()) - int(wave.codes.min()))
        return abs(wave.gain) / math.sqrt(12 * covered)

    def references(self, words: Sequence[str]) -> list[Seen]:
        """The input of the first channel of each delay; the others are held against it.

        Raises
        ------
        BenchFault : a reading is not one of two channels.
        """
        found = []
        for one, result in (pair for word in words for pair in self._results(word)):
            if len(result.of) != OF_A_DELAY:
                raise BenchFault(
                    f"`{one.label}.{result.name}` is of {len(result.of)} channels",
                    where=self._recipe.path,
                    expected="a delay between two",
                )
            found.append(self._seen(one, replace(result, of=result.of[:1])))
        return found


def _scatter(result: Result) -> float:
    """Standard deviation of the mean over the shots; of a single one, what its own record says."""
    values = [reading.value or 0.0 for reading in result.shots]
    if len(values) > 1:
        return stdev(values) / math.sqrt(len(values))
    return result.reading.uncertainty or 0.0


def _is_number(reading: Reading) -> bool:
    return reading.value is not None and math.isfinite(reading.value)
