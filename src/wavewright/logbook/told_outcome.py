"""What other systems are told of an outcome: its document without texts, shots and settings, as one line of JSON."""

from __future__ import annotations

import json
from typing import Any, NotRequired

from pydantic import TypeAdapter
from typing_extensions import TypedDict

from wavewright.logbook.outcome_files import outcome_as_json
from wavewright.logbook.outcome_form import Count, DeclaredForm, Name, Number, Time, VerdictWord, Word
from wavewright.logbook.rows import named_results, recipe_name
from wavewright.running.outcome import Outcome

FORM = 1  # raised when a reader of the old form would go wrong


class ToldOrigin(TypedDict):
    """A file that the run was made from."""

    file: Word
    sha256: Word


class ToldReading(TypedDict):
    """One reading; value, expanded uncertainty (95 %) and margin in `unit`, null where there is none."""

    name: Name
    metric: Word
    value: Number | None
    expanded_uncertainty: Number | None
    unit: Word
    limit: Word
    margin: Number | None
    verdict: VerdictWord | None
    reason: Word


class ToldOutcome(TypedDict):
    """One outcome; a receiver drops what comes twice by `id`. Further keys may come in later versions.

    `golden` is `good` or `bad`, as the unit is known to be, of a golden unit, whose batch is `golden`.
    """

    wavewright_told: Count
    id: Name
    verdict: VerdictWord
    title: Word
    recipe: Word
    recipe_file: ToldOrigin
    part: Word
    serial: Word
    operator: Word
    station: Word
    batch: Word
    started: Time
    ended: Time
    simulated: bool
    error: Word
    waits: bool
    evidence: Word | None
    declared: NotRequired[dict[Word, DeclaredForm]]
    retest: NotRequired[Count]
    retest_of: NotRequired[Word]
    quarantined: NotRequired[Word]
    golden: NotRequired[Word]
    readings: list[ToldReading]


# What the document of an outcome has that is long, or stands under another name here.
LEFT_OUT = frozenset(
    {
        *("wavewright_outcome", "measurements", "identities", "versions", "recipe", "bench", "profiles", "corrections"),
        *("calibrations", "parameters", "seed", "draw", "times"),
    }
)


def told_outcome(outcome: Outcome, *, station: str, batch: str) -> dict[str, Any]:
    """The message about an outcome that has its id; what marks it (`declared`, and the like) comes along."""
    document = outcome_as_json(outcome)
    readings = [
        {
            "name": name,
            "metric": result["metric"],
            "value": result["reading"]["value"],
            "expanded_uncertainty": (result["stated"] or {}).get("expanded_uncertainty"),
            "unit": result["reading"]["unit"],
            **{key: result[key] for key in ("limit", "margin", "verdict")},
            "reason": result["reason"] or result["reading"].get("reason", ""),
        }
        for name, result in named_results(document)
    ]
    return {
        "wavewright_told": FORM,
        "id": outcome.id,
        "recipe": recipe_name(outcome.recipe.file),
        "recipe_file": {"file": outcome.recipe.file, "sha256": outcome.recipe.sha256},
        "station": station,
        "batch": batch,
        "waits": outcome.waits_in is not None,
        "evidence": None if outcome.folder is None else str(outcome.folder),
        **{key: value for key, value in document.items() if key not in LEFT_OUT},
        "readings": readings,
    }


def told_line(message: dict[str, Any]) -> bytes:
    """A message as a line: in ASCII, so that no receiver has to know an encoding."""
    return json.dumps(message, allow_nan=False).encode("ascii") + b"\n"


def told_schema() -> dict[str, Any]:
    """The JSON Schema of a message."""
    return TypeAdapter(ToldOutcome).json_schema()
