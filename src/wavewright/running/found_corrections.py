"""From the readings of a calibration to corrections: each a comparison, with how well it is known (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import fmean

from wavewright.analysis.elementary.exponentials import log10
from wavewright.analysis.uncertainty.budget import Budget, combined
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.errors import BenchFault
from wavewright.instruments.bench_file import BenchFile
from wavewright.instruments.corrections import read_identity
from wavewright.instruments.corrections_file import MOST_GAIN, QUANTITIES, Correction
from wavewright.instruments.setups import InputSetup
from wavewright.instruments.stated_accuracy import StatedAccuracy
from wavewright.instruments.vocabulary import Role
from wavewright.quantities import Quantity, show_quantity
from wavewright.recipe.calibration import CalibrationEntry, CorrectedQuantity
from wavewright.recipe.recipe import Recipe
from wavewright.running.calibration_readings import CalibrationReadings, Seen
from wavewright.running.outcome import Outcome
from wavewright.running.selection import select

LEAST_SWING = 0.2  # of the range between the two levels of a gain
MOST_OVER = 3.0  # times its stated limit: an error that large has another reason
LEAST_PER_CENT = 1e-4  # smaller ratios are written in parts per million
LEAST_PART = 0.01  # of the standard uncertainty: a smaller one is 1 in 10⁴ of the variance
DIGITS = 100.0  # a value is written to this part of its standard uncertainty


@dataclass(frozen=True, slots=True)
class CalibrationDay:
    """What is written beside every correction: days, who, and the run that is the evidence."""

    day: date
    due: date
    by: str = ""
    evidence: str = ""


def found_corrections(
    outcome: Outcome, recipe: Recipe, bench: BenchFile, when: CalibrationDay, *, instruments: Mapping[str, str]
) -> tuple[Correction, ...]:
    """The corrections that a run of a recipe with `calibration:` has brought.

    Parameters
    ----------
    outcome : of that run, on the bench without its corrections.
    instruments : names in the bench file by role, as the run was told.

    Raises
    ------
    BenchFault : a reading is missing, doubted or out of its limit; the instrument does not say who it is; or what comes
        out is larger than an error can be, or no better known than the profile states.
    """
    return _Calibration(outcome, recipe, bench, when, instruments).corrections()


class _Calibration:
    """One run, read as a calibration."""

    def __init__(
        self, outcome: Outcome, recipe: Recipe, bench: BenchFile, when: CalibrationDay, instruments: Mapping[str, str]
    ) -> None:
        self._outcome, self._recipe, self._bench, self._when = outcome, recipe, bench, when
        self._digitizer = select(recipe, bench, instruments=instruments).names[Role.DIGITIZER]
        self._accuracy: StatedAccuracy = bench.profiles[self._digitizer].grammar.accuracy
        self._readings = CalibrationReadings(outcome, recipe, bench)
        self._gains: dict[tuple[int, float], Budget] = {}
        self._found: list[tuple[Correction, Budget]] = []

    def corrections(self) -> tuple[Correction, ...]:
        """All of them; gains first, for an offset that is read beside 0 V."""
        self._check_run()
        ordered = sorted(
            self._recipe.calibration.items(), key=lambda item: item[1].quantity is not CorrectedQuantity.GAIN
        )
        found: list[Correction] = []
        for name, entry in ordered:
            make = {
                CorrectedQuantity.GAIN: self._gain,
                CorrectedQuantity.OFFSET: self._offset,
                CorrectedQuantity.SKEW: self._skew,
                CorrectedQuantity.TIMEBASE: self._timebase,
            }[entry.quantity]
            for one in make(name, entry):
                if one not in found:
                    found.append(one)
        return tuple(self._with_shared(one) for one in found)

    def _check_run(self) -> None:
        outcome = self._outcome
        broken = outcome.error or next((one.error for one in outcome.measurements if one.error), "")
        if broken:
            raise BenchFault(f"the run ended early: {broken}", where=self._recipe.path, do="calibrate again")
        maker, model, serial = read_identity(outcome.identities.get(self._digitizer, ""))
        if not (maker and model and serial.strip("0")):
            raise BenchFault(
                f"`{self._digitizer}` answers `{outcome.identities.get(self._digitizer, '')}` to the query of its "
                f"identity",
                where=self._bench.path,
                expected="maker, model and serial number: a correction belongs to one instrument",
            )

    def _gain(self, name: str, entry: CalibrationEntry) -> Iterator[Correction]:
        (first, at_first), (second, at_second) = (self._readings.read([word], entry.quantity) for word in entry.read)
        seen = self._one_input(name, [*at_first, *at_second])
        at = f"at input {seen.setup.input}"
        low, high = (self._readings.true(word, entry.quantity, at=at) for word in entry.against)
        swing, true = second.value - first.value, high.value - low.value
        if abs(swing) < LEAST_SWING * seen.setup.range:
            raise self._fault(
                name,
                f"input {seen.setup.input} reads {_shown(first.value)} and {_shown(second.value)}, "
                f"{abs(swing) / seen.setup.range:.0%} of its range apart",
                expected=f"levels that are at least {LEAST_SWING:.0%} of the range apart",
            )
        value = true / swing - 1
        scatter = math.hypot(first.scatter, second.scatter) * abs(true / swing)
        # the two of one instrument share its errors, which add at worst (JCGM 100:2008, 5.2.2 note 1)
        against = math.hypot(low.common + high.common, low.scatter, high.scatter)
        parts = [
            (1 / swing, high.budget),
            (-1 / swing, low.budget),
            (-true / swing**2, second.budget),
            (true / swing**2, first.budget),
        ]
        budget = _at_least(combined(value, "1", parts), math.hypot(scatter, against) / abs(swing), name)
        self._gains[seen.setup.input, seen.setup.range] = budget
        yield self._correction(name, entry.quantity, budget, seen, limit=self._accuracy.gain)

    def _offset(self, name: str, entry: CalibrationEntry) -> Iterator[Correction]:
        read, at = self._readings.read(entry.read, entry.quantity)
        seen = self._one_input(name, at)
        true = self._readings.true(entry.against[0], entry.quantity, at=f"at input {seen.setup.input}")
        gain = self._gains.get((seen.setup.input, seen.setup.range)) or self._stated_gain(seen)
        factor = 1 + gain.value
        # an offset that is read beside 0 V follows the gain: where the gain is too high, this is too low
        parts = [(1 / factor, true.budget), (-true.value / factor**2, gain), (-1.0, read.budget)]
        budget = combined(true.value / factor - read.value, "V", parts)
        stated = self._accuracy.offset
        limit = None if stated is None else stated[0] * seen.setup.range + stated[1] * seen.setup.attenuation
        least = math.hypot(read.scatter, true.scatter, true.common)
        yield self._correction(name, entry.quantity, _at_least(budget, least, name), seen, limit=limit)

    def _stated_gain(self, seen: Seen) -> Budget:
        """The gain of an input that is not calibrated with its offset: by what the profile states."""
        limit = (self._accuracy.gain or 0.0) / math.sqrt(3)
        return Budget(0.0, "1", (Contribution("gain", limit, key=f"stated gain of input {seen.setup.input}"),))

    def _skew(self, name: str, entry: CalibrationEntry) -> Iterator[Correction]:
        """The second channel of a delay is late against the first: that much is taken from its times."""
        references = self._readings.references(entry.read)
        read, at = self._readings.read(entry.read, entry.quantity)
        true = self._readings.true(entry.against[0], entry.quantity)
        seen = self._one_input(name, at)
        uncertainty = math.hypot(read.scatter, true.scatter, true.common)
        limit = self._accuracy.skew
        found = _alone(true.value - read.value, "s", uncertainty, name)
        yield self._correction(name, entry.quantity, found, seen, limit=limit)
        for reference in references:
            yield self._correction(name, entry.quantity, Budget(0.0, "s"), reference, limit=None)

    def _timebase(self, name: str, entry: CalibrationEntry) -> Iterator[Correction]:
        read, _ = self._readings.read(entry.read, entry.quantity)
        true = self._readings.true(entry.against[0], entry.quantity)
        if not read.value or not true.value:
            raise self._fault(name, "a frequency of 0 Hz", expected="a frequency that is known")
        value = read.value / true.value - 1
        uncertainty = math.hypot(read.scatter, true.scatter, true.common) / abs(true.value)
        found = _alone(value, "1", uncertainty, name)
        yield self._correction(name, entry.quantity, found, None, limit=self._accuracy.timebase)

    def _one_input(self, name: str, seen: Sequence[Seen]) -> Seen:
        """The input, in the range and around the voltage, that all readings of a correction are of."""
        first = seen[0]
        for one in seen:
            if not _is_alike(one.setup, first.setup):
                raise self._fault(
                    name,
                    f"its readings are of input {first.setup.input} at {_shown(first.setup.range)} and of input "
                    f"{one.setup.input} at {_shown(one.setup.range)}, or it is set in two ways",
                    expected="one input, in one range, through one probe, set in one way",
                )
        middle = fmean(one.setup.offset for one in seen)
        return Seen(replace(first.setup, offset=middle), first.code)

    def _correction(
        self,
        name: str,
        quantity: CorrectedQuantity,
        found: Budget,
        seen: Seen | None,
        *,
        limit: float | None,
    ) -> Correction:
        unit, value, uncertainty = found.unit, found.value, found.standard
        known = f"{show_quantity(value, unit)}, standard uncertainty {show_quantity(uncertainty, unit)}"
        if not (math.isfinite(value) and math.isfinite(uncertainty)):
            raise self._fault(name, f"it comes out as {known}", expected="finite numbers")
        largest = MOST_OVER * limit if limit else MOST_GAIN if quantity is CorrectedQuantity.GAIN else math.inf
        if abs(value) > largest:
            raise self._fault(
                name,
                f"it comes out as {known}; the profile states an error of at most {show_quantity(limit or 0.0, unit)}",
                expected=f"a correction of at most {show_quantity(largest, unit)}",
                do="check the division of the probe, what the tip is on, and the other instrument",
            )
        if limit and uncertainty > limit / math.sqrt(3):
            raise self._fault(
                name,
                f"it comes out as {known}: no better known than the profile states it, ± {show_quantity(limit, unit)}",
                expected="a smaller uncertainty",
                do="take more shots, a signal that runs over more codes, or a better reference",
            )
        maker, model, serial = read_identity(self._outcome.identities[self._digitizer])
        is_built = self._outcome.is_simulated and self._bench.is_simulated
        written = {
            "quantity": str(quantity),
            "instrument": self._digitizer,
            "maker": maker,
            "model": model,
            "serial": serial,
            "seed": self._outcome.seed if is_built else None,
            **(self._input_keys(seen, quantity) if seen else {}),
            "value": _written(value, unit, uncertainty),
            "uncertainty": _written(uncertainty, unit, uncertainty),
            "date": self._when.day,
            "due": self._when.due,
            "by": self._when.by or None,
            "evidence": self._when.evidence or None,
        }
        made = QUANTITIES[quantity].model_validate({key: one for key, one in written.items() if one is not None})
        self._found.append((made, found))
        return made

    def _with_shared(self, one: Correction) -> Correction:
        """A correction with the causes that it has in common with others of this calibration."""
        budget = next(budget for made, budget in self._found if made is one)
        others = {part.key for made, found in self._found if made is not one for part in _large(found)}
        run = self._when.evidence or self._when.day
        parts = {
            f"{part.key.replace(':', ' ')}, {run}": _written(part.standard, budget.unit, budget.standard)
            for part in _large(budget)
            if part.key in others
        }
        if not parts:
            return one
        said = {key: value for key, value in one.model_dump(exclude_none=True).items() if key != "shared"}
        return type(one).model_validate({**said, "shared": parts})

    def _input_keys(self, seen: Seen, quantity: CorrectedQuantity) -> dict[str, object]:
        """Where it holds: input, range, middle and probe, and how the input was set as far as that matters."""
        setup = seen.setup
        where: dict[str, object] = {"input": setup.input}
        if quantity is CorrectedQuantity.SKEW:
            limit = setup.bandwidth_limit
            where["bandwidth_limit"] = None if limit is None else str(Quantity(limit, "Hz"))
        else:
            where["range"] = str(Quantity(float(f"{setup.range:.6g}"), "V"))
            where["middle"] = str(Quantity(float(f"{setup.offset:.4g}") + 0.0, "V"))
        if quantity is CorrectedQuantity.OFFSET:
            where["coupling"] = setup.coupling
        where["impedance"] = None if setup.impedance is None else str(Quantity(setup.impedance, "ohm"))
        where["probe"] = str(Quantity(setup.attenuation, "x"))
        where["probe_serial"] = self._bench.probe(setup.input).serial
        return where

    def _fault(self, name: str, what: str, *, expected: str = "", do: str = "") -> BenchFault:
        return BenchFault(f"correction `{name}`: {what}", where=self._recipe.path, expected=expected, do=do)


def _large(budget: Budget) -> list[Contribution]:
    """Those that matter for the whole."""
    return [one for one in budget.contributions if abs(one.standard) > LEAST_PART * budget.standard]


def _alone(value: float, unit: str, standard: float, name: str) -> Budget:
    """A value whose uncertainty has nothing in common with that of another."""
    return Budget(value, unit, (Contribution(name, standard, key=name),))


def _at_least(budget: Budget, standard: float, name: str) -> Budget:
    """The budget with what it lacks to a standard uncertainty at worst, as a cause of its own."""
    rest = math.sqrt(max(0.0, standard**2 - budget.standard**2))
    return replace(budget, contributions=(*budget.contributions, Contribution("rest", rest, key=f"rest of {name}")))


def _is_alike(one: InputSetup, other: InputSetup) -> bool:
    """Whether an input is set alike, the voltage in the middle of its range left out."""
    return replace(one, range=1.0, offset=0.0) == replace(other, range=1.0, offset=0.0) and math.isclose(
        one.range, other.range, rel_tol=1e-6
    )


def _shown(volts: float) -> str:
    return show_quantity(volts, "V")


def _written(value: float, unit: str, uncertainty: float) -> str:
    """A number with as many digits as its uncertainty bears, and two more."""
    if uncertainty and value:
        decimals = math.ceil(-log10(uncertainty / DIGITS))
        value = round(value, decimals)
    if unit == "1" and value and abs(value) < LEAST_PER_CENT:
        return f"{value * 1e6:.6g} ppm"
    return str(Quantity(value, unit))
