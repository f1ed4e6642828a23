"""An outcome as rows of the tables: every column follows from the document, or was given with it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import PureWindowsPath
from typing import Any

from pydantic_core import to_json

from wavewright.errors import Misuse
from wavewright.instruments.simulated import say_simulated
from wavewright.logbook.tables import microseconds
from wavewright.quantities import read_interval
from wavewright.running.result import label_of

Row = dict[str, Any]

# What a row has that is not in the document, or that another version might read out of its words otherwise.
NOT_IN_DOCUMENT = frozenset({"id", "outcome", "station", "batch", "document", "low", "high"})


def recipe_name(file: str) -> str:
    """The name of a recipe by its path, on whatever system the path was written: `\\` and `/` both part folders."""
    return PureWindowsPath(file).stem


def outcome_row(identifier: str, document: Mapping[str, Any], *, station: str, batch: str) -> Row:
    """The row of `outcomes`, but for the document itself.

    Parameters
    ----------
    document : as `outcome_as_json` makes it, but without the texts of the files.
    """
    return {
        "id": identifier,
        "started": microseconds(datetime.fromisoformat(document["started"])),
        "ended": microseconds(datetime.fromisoformat(document["ended"])),
        **{name: document[name] for name in ("verdict", "title", "part", "serial", "operator")},
        "recipe": recipe_name(document["recipe"]["file"]),
        "recipe_sha256": document["recipe"]["sha256"],
        "station": station,
        "batch": batch,
        "simulated": int(was_simulated(document)),
    }


def document_text(document: Mapping[str, Any]) -> str:
    """A document as the column holds it: every number comes back as it was, NaN and infinity included.

    Raises
    ------
    ValueError : half a surrogate pair in a text, which no database holds.
    """
    return to_json(document, inf_nan_mode="constants").decode()


def was_simulated(document: Mapping[str, Any]) -> bool:
    """Whether no real instrument measured; an older document does not say it, but its instruments' identities do."""
    said = document.get("simulated")
    return bool(say_simulated(document["identities"].values()) if said is None else said)


def reading_rows(identifier: str, document: Mapping[str, Any]) -> list[Row]:
    """The rows of `readings`, in the order of the run; of two with the same name the last one stays."""
    started = microseconds(datetime.fromisoformat(document["started"]))
    rows: dict[str, Row] = {}
    for name, result in named_results(document):
        reading = result["reading"]
        low, high = _ends(result["limit"], reading["unit"])
        rows[name] = {
            "outcome": identifier,
            "name": name,
            "started": started,
            "metric": result["metric"],
            "value": _number(reading["value"]),
            "unit": reading["unit"],
            "uncertainty": _number(reading.get("uncertainty")),
            "low": low,
            "high": high,
            "margin": _number(result["margin"]),
            "verdict": result["verdict"],
        }
    return list(rows.values())


def named_results(document: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Every result of a document with its full name, `coil_drive[duty=40 %].duty_factor`."""
    for one in document["measurements"]:
        label = label_of(one["name"], one["conditions"])
        for result in one["results"]:
            yield f"{label}.{result['name']}", result


def _number(value: float | None) -> float | None:
    """As every database gives it back: a float, never -0.0, and nothing for what is not a number."""
    if value is None:
        return None
    number = float(value) + 0.0
    return None if math.isnan(number) else number


@lru_cache(maxsize=4096)
def _ends(limit: str, unit: str) -> tuple[float | None, float | None]:
    """The two ends of a limit as numbers; None for an open side, and where there is no limit."""
    if not limit:
        return None, None
    try:
        interval = read_interval(limit, unit=unit)
    except Misuse:  # the words stay in the document; only the columns for charts are empty
        return None, None
    low, high = (_number(end) if math.isfinite(end) else None for end in (interval.low, interval.high))
    return low, high


def origins_of(outcome: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every file that a run was made from, of an outcome as it is written; KeyError where it is none."""
    own = [outcome["recipe"], outcome["bench"], *outcome["profiles"].values()]
    return [*own, outcome["corrections"]] if "corrections" in outcome else own
