"""What a measurement is judged by: its limits, known before anything is measured."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from wavewright.errors import Place
from wavewright.recipe.measurement import Measurement


@dataclass(frozen=True, slots=True)
class Limited:
    """One result that has a limit: its name within the measurement, the limit's words, and where it stands."""

    name: str
    limit: str
    place: Place | None = None


def limited(measurement: Measurement) -> Iterator[Limited]:
    """Every result of a measurement that will be held against a limit, named as in the outcome."""
    for wanted in measurement.compute.values():
        if wanted.limit is not None:
            yield Limited(wanted.name, str(wanted.limit), wanted.place)
    for metered in measurement.meterings:
        if metered.limit is not None:
            yield Limited(metered.name, str(metered.limit), metered.place)
    for line in measurement.expect:
        yield Limited(f"expect.{line}", "every condition met")
    for compared in measurement.compare.values():
        for found, limit in compared.limits.items():
            yield Limited(f"{compared.name}.{found}", str(limit), compared.place)
    persistence = measurement.persistence
    if persistence is not None and persistence.rare_shots is not None:
        yield Limited("rare_shots", str(persistence.rare_shots))
    if persistence is not None and persistence.violations is not None:
        yield Limited("violations", str(persistence.violations))
