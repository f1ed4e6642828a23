"""Loading a recipe: text -> tree -> parameters and conditions put in -> models, and all faults of the file at once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from wavewright.errors import FileFault
from wavewright.grammar.located_yaml import YamlMapping, YamlScalar, parse_tree, read_text, text_of
from wavewright.grammar.model_reading import validated
from wavewright.judgement.doubting import NO_RULES
from wavewright.recipe.ask import ask_faults
from wavewright.recipe.calibration import calibration_faults
from wavewright.recipe.computation import Computation
from wavewright.recipe.golden_units import golden_faults
from wavewright.recipe.judging import check_leaves_something
from wavewright.recipe.measurement import Measurement, read_measurement
from wavewright.recipe.metering import Metering
from wavewright.recipe.name_checks import NameChecks
from wavewright.recipe.needs import check_needs
from wavewright.recipe.place_pictures import read_pictures
from wavewright.recipe.recipe import TIME_LIMIT, Fitness, Recipe, RecipeHead
from wavewright.recipe.stop_rules import stop_rule_faults
from wavewright.recipe.sweeps import conditions, parameter_values


def load_recipe(path: str | Path, *, set: Mapping[str, str] | None = None) -> Recipe:
    """Read and check the recipe in a file.

    Parameters
    ----------
    set : values for parameters of the recipe, by name: what `--set duty=30%` says.

    Raises
    ------
    FileFault : all that is wrong with the file, in line order.
    Misuse : a value for a parameter that the recipe does not have.
    """
    recipe = parse_recipe(read_text(path), str(path), set=set)
    return replace(recipe, pictures=read_pictures(recipe))


def parse_recipe(text: str, name: str, *, set: Mapping[str, str] | None = None) -> Recipe:
    """Read and check a recipe; `name` stands for the file in messages.

    Raises
    ------
    FileFault, Misuse : as `load_recipe`.
    """
    tree = parse_tree(text, name)
    check_kind(tree, name)
    faults: list[FileFault] = []
    head = _head(tree, faults)
    parameters = parameter_values(_defaults(tree), set or {})
    measurements = list(_measurements(tree, parameters, head, faults))
    if head is not None and not faults:
        faults += calibration_faults(head.calibration, _readings(measurements))
        faults += ask_faults(head.ask, tree, measurements)
        faults += stop_rule_faults(head.stop_when, measurements)
        faults += golden_faults(head.golden, measurements)
    if faults or head is None:
        raise FileFault.joined(faults)
    return Recipe(
        title=head.title,
        measurements=tuple(measurements),
        text=text,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        path=name,
        cautions=head.cautions,
        part=head.part or "",
        needs=head.needs,
        parameters=parameters,
        serial_pattern=head.serial.pattern if head.serial else "",
        cross_check=head.cross_check,
        time_limit=TIME_LIMIT if head.time_limit is None else float(head.time_limit),
        calibration=head.calibration,
        requires_fitness=head.fitness is Fitness.REQUIRED,
        ask=head.ask,
        stop_when=head.stop_when,
        retest=head.retest,
        quarantine=head.quarantine,
        golden=head.golden,
    )


def _readings(measurements: Iterable[Measurement]) -> Iterator[str]:
    """The names by which a reading can be meant: of one condition, and of all."""
    for one in measurements:
        for entry in (*one.compute, *one.meter, *one.supply):
            yield f"{one.name}.{entry}"
            yield f"{one.label}.{entry}"


def check_kind(tree: YamlMapping, name: str) -> None:
    """Refuse another kind of file that was given for a recipe.

    Raises
    ------
    FileFault : it says that it is a bench, a profile, a board or a file of faults.
    """
    other = next((key for key in tree if key.startswith("wavewright-")), None)
    if other is not None and "wavewright" not in tree:
        kind = other.removeprefix("wavewright-")
        do = f"give it after `--bench {name}`, and a recipe first" if kind == "bench" else ""
        raise FileFault(
            f"this is a {kind} file",
            where=tree.key_place(other),
            expected="a recipe, with the key `wavewright: 1`",
            do=do,
        )


def _head(tree: YamlMapping, faults: list[FileFault]) -> RecipeHead | None:
    try:
        return validated(tree, RecipeHead)
    except FileFault as fault:
        faults.extend(fault.faults)
        return None


def _defaults(tree: YamlMapping) -> dict[str, str]:
    """The default of each parameter that has one."""
    entries = tree.mapping_at("parameters")
    defaults = {str(name): entries.mapping_at(name).get("default") for name in entries}
    return {name: text_of(default) for name, default in defaults.items() if isinstance(default, YamlScalar | bool)}


def _measurements(
    tree: YamlMapping, parameters: Mapping[str, str], head: RecipeHead | None, faults: list[FileFault]
) -> Iterator[Measurement]:
    needs, doubts, judge = (head.needs, head.doubts, head.judge) if head else (None, NO_RULES, None)
    entries = tree.mapping_at("measurements")
    earlier: dict[str, tuple[str, ...]] = {}
    for name, entry in entries.items():
        if not isinstance(entry, YamlMapping):
            what, where = f"measurement `{name}` holds nothing", entries.value_place(name)
            faults.append(FileFault(what, where=where, expected="`channels`, `timebase`, `compute`, …"))
            continue
        found: list[FileFault] = []
        for condition in conditions(entry, parameters, found):
            checks = NameChecks(str(name), earlier=earlier)
            measurement = read_measurement(condition.tree, checks)
            if measurement is not None and needs is not None:
                check_needs(needs, measurement, condition.tree, checks)
            named = None if measurement is None else measurement.under(name, condition.values, doubts, judge)
            if named is not None:
                _check_rules(named, checks)
            # what another value of the sweep, or a name that is not known, has led to is not said again
            said = {fault.where for fault in found}
            found.extend(fault for fault in checks.faults if fault.where not in said)
            if named is not None:
                yield named
        faults.extend(found)
        earlier[str(name)] = (*map(str, entry.mapping_at("channels")), *map(str, entry.mapping_at("derived")))


def _check_rules(measurement: Measurement, checks: NameChecks) -> None:
    """Note the limits that the rule of the measurement, or of the recipe, leaves nothing of."""
    entries: tuple[Computation | Metering, ...] = (*measurement.compute.values(), *measurement.meterings)
    for entry in entries:
        if entry.limit is not None and entry.judge is None and entry.place is not None:
            with checks.faults_placed_at(entry.place):
                check_leaves_something(measurement.rule_of(entry), entry.limit)
