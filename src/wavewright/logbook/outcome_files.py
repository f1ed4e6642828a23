"""An outcome as `outcome.json`, and back: the same numbers, words and times."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from wavewright.analysis.reading import Doubt, Reading
from wavewright.errors import FileFault, Place, StorageFault
from wavewright.instruments.simulated import is_without_instruments, say_simulated
from wavewright.judgement.decision_rules import SIMPLE
from wavewright.judgement.shown import stated_uncertainty
from wavewright.judgement.verdict import Verdict
from wavewright.logbook.captures import KeptCaptures
from wavewright.logbook.outcome_form import check_outcome, read_json
from wavewright.path_length import ROOM_FOR_A_FILE, within_reach
from wavewright.running.attachment import Attachment
from wavewright.running.declared import Declared
from wavewright.running.outcome import CalibrationNote, Origin, Outcome
from wavewright.running.result import CrossCheck, MeasurementOutcome, Result

PERCENTILES = (1, 50, 99)
_LIBRARY = re.compile(r"^[\"']?library[\"']?[ \t]*:[ \t]*[\"']?(?P<name>[^\"'#\n]*[^\"'#\s])", re.MULTILINE)
LAYOUT = 1  # of the JSON document: raised when a reader of the old one would go wrong
OUTCOME, CAPTURES, WIRE_LOG = "outcome.json", "captures.h5", "wire.log"
THINNED = "captures.thinned"  # where `prune` took the captures: when, and by what rule
LINE_MARKS = ("retest", "retest_of", "quarantined", "golden")  # only where they say something
ATTACHED = "attached"  # folder of the attached files, named by their hash
BESIDE = ".attached"  # added to the name of an exported file: the folder of the files attached to its runs
JOURNAL = "journal"  # only while a run is on


def attached_beside(path: Path) -> Path:
    """The folder of the files that are attached to the runs of an exported file."""
    return path.with_name(path.name + BESIDE)


def outcome_as_json(outcome: Outcome) -> dict[str, Any]:
    """Plain numbers, words and lists; `verdict` of the whole and of each measurement beside what it follows from."""
    return {
        "wavewright_outcome": LAYOUT,
        "title": outcome.title,
        "verdict": str(outcome.verdict),
        "part": outcome.part,
        "serial": outcome.serial,
        "operator": outcome.operator,
        "started": outcome.started.isoformat(),
        "ended": outcome.ended.isoformat(),
        "error": outcome.error,
        "parameters": dict(outcome.parameters),
        "seed": outcome.seed,
        "draw": outcome.draw,
        "simulated": outcome.is_simulated,
        "times": dict(outcome.times),
        "measurements": [measurement_as_json(one) for one in outcome.measurements],
        "identities": dict(outcome.identities),
        "versions": dict(outcome.versions),
        "recipe": _origin_as_json(outcome.recipe),
        "bench": _origin_as_json(outcome.bench),
        "profiles": {name: _origin_as_json(origin) for name, origin in outcome.profiles.items()},
        **({} if outcome.corrections is None else {"corrections": _origin_as_json(outcome.corrections)}),
        **(
            {"calibrations": {name: asdict(one) for name, one in notes.items()}}
            if (notes := outcome.calibrations)
            else {}
        ),
        **({"declared": {name: asdict(one) for name, one in outcome.declared.items()}} if outcome.declared else {}),
        **({"attachments": [one.as_json() for one in outcome.attachments]} if outcome.attachments else {}),
        **{name: mark for name in LINE_MARKS if (mark := getattr(outcome, name))},
    }


def outcome_from_json(plain: Mapping[str, Any]) -> Outcome:
    """The outcome that `outcome_as_json` made this of; captures and folder are not in it."""
    return Outcome(
        **{name: plain[name] for name in ("title", "part", "serial", "operator", "error", "seed")},
        started=datetime.fromisoformat(plain["started"]),
        ended=datetime.fromisoformat(plain["ended"]),
        recipe=Origin(**plain["recipe"]),
        bench=Origin(**plain["bench"]),
        profiles={name: Origin(**origin) for name, origin in plain["profiles"].items()},
        parameters=plain["parameters"],
        identities=plain["identities"],
        draw=plain.get("draw"),
        is_simulated=plain["simulated"] if "simulated" in plain else _was_simulated(plain),
        versions=plain["versions"],
        measurements=tuple(measurement_from_json(one) for one in plain["measurements"]),
        corrections=Origin(**plain["corrections"]) if "corrections" in plain else None,
        calibrations={name: CalibrationNote(**note) for name, note in plain.get("calibrations", {}).items()},
        times=plain.get("times", {}),
        declared={name: Declared(**one) for name, one in plain.get("declared", {}).items()},
        attachments=tuple(Attachment.from_json(one) for one in plain.get("attachments", ())),
        **{name: plain[name] for name in LINE_MARKS if name in plain},
    )


def _was_simulated(plain: Mapping[str, Any]) -> bool:
    """Of an outcome from before it said so: by its bench file's library and the instruments' identities."""
    library = _LIBRARY.search(str(plain["bench"]["text"]))
    return say_simulated(plain["identities"].values()) or (
        library is not None and is_without_instruments(library["name"])
    )


def read_document(folder: Path) -> dict[str, Any]:
    """What is in the `outcome.json` of a folder, checked key by key.

    Raises
    ------
    StorageFault : the folder or the file cannot be read.
    FileFault : the file is not what `wavewright run` writes.
    """
    path = within_reach(folder, ROOM_FOR_A_FILE) / OUTCOME
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as fault:
        raise FileFault(f"not text: {fault}", where=str(path), expected="UTF-8") from fault
    except OSError as fault:
        raise StorageFault(f"{fault.strerror}", where=str(path), expected="a folder that a run has written") from fault
    plain: dict[str, Any] = read_json(text, where=Place(str(path)))
    check_outcome(plain, where=Place(str(path)))
    return plain


def read_outcome(folder: str | Path) -> Outcome:
    """The outcome kept in a folder, its captures to be read when asked for.

    Raises
    ------
    StorageFault : the folder or the file cannot be read.
    FileFault : the file is not what `wavewright run` writes.
    """
    folder = within_reach(Path(folder), ROOM_FOR_A_FILE)
    path = folder / OUTCOME
    plain = read_document(folder)
    if plain["wavewright_outcome"] != LAYOUT:
        raise FileFault(
            f"layout {plain['wavewright_outcome']} of an outcome", where=str(path), expected=f"layout {LAYOUT}"
        )
    try:
        outcome = outcome_from_json(plain)
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise FileFault(
            f"not an outcome: {fault}", where=str(path), expected=f"{OUTCOME} as a run has written it"
        ) from fault
    is_thinned = (folder / THINNED).exists() and not (folder / CAPTURES).exists()
    attachments = tuple(replace(one, locate=(folder / ATTACHED).joinpath) for one in outcome.attachments)
    captures = {} if is_thinned else KeptCaptures(folder / CAPTURES)
    return replace(outcome, folder=folder, captures=captures, attachments=attachments)


def measurement_as_json(one: MeasurementOutcome) -> dict[str, Any]:
    """One entry of `measurements`; `measurement_from_json` brings it back."""
    return {
        "name": one.name,
        "conditions": dict(one.conditions),
        "verdict": _word(one.verdict),
        "error": one.error,
        "place": one.place,
        "shots": one.shots,
        "results": [_result_as_json(result) for result in one.results],
        "remarks": list(one.remarks),
        "asked": dict(one.asked),
        "read_back": dict(one.read_back),
        "cross_checks": [asdict(check) for check in one.cross_checks],
        "seconds": one.seconds,
        "times": dict(one.times),
    }


def measurement_from_json(plain: Mapping[str, Any]) -> MeasurementOutcome:
    """The measurement that `measurement_as_json` made this of."""
    return MeasurementOutcome(
        **{name: plain[name] for name in ("name", "conditions", "error", "place", "shots", "asked", "read_back")},
        results=tuple(_result_from_json(result) for result in plain["results"]),
        remarks=tuple(plain["remarks"]),
        cross_checks=tuple(CrossCheck(**check) for check in plain["cross_checks"]),
        seconds=plain.get("seconds"),  # outcomes of before do not say it
        times=plain.get("times", {}),
    )


def _result_as_json(result: Result) -> dict[str, Any]:
    joined = result.reading.as_json()
    return {
        "name": result.name,
        "metric": result.metric,
        "of": list(result.of),
        "verdict": _word(result.verdict),
        "reading": joined,
        "stated": stated_uncertainty(result.reading),  # follows from the budget, for those who only read the file
        "limit": result.limit,
        "margin": result.margin,
        "relative_margin": result.relative_margin,
        "reason": result.reason,
        "rule": result.rule,
        "conformance": result.conformance,
        "allowed": [str(doubt) for doubt in result.allowed],
        "over": result.over,
        "decisive_shot": result.decisive_shot,
        "shots": [joined if reading is result.reading else reading.as_json() for reading in result.shots],
        "statistics": _statistics_as_json(result),
    }


def _statistics_as_json(result: Result) -> dict[str, Any] | None:
    """Follows from the shots, and is written down for those who only read the file."""
    found = result.statistics
    if found is None:
        return None
    names = ("count", "missing", "mean", "standard_deviation", "minimum", "maximum", "autocorrelation")
    plain = {name: getattr(found, name) for name in names}
    plain["percentiles"] = dict(zip(map(str, PERCENTILES), found.percentiles(PERCENTILES), strict=True))
    if found.trend is not None:
        plain["trend"] = {"slope": found.trend.slope, "uncertainty": found.trend.uncertainty}
    return plain


def _result_from_json(plain: Mapping[str, Any]) -> Result:
    same = ("name", "metric", "limit", "margin", "relative_margin", "reason", "over", "decisive_shot")
    return Result(
        **{name: plain[name] for name in same},
        of=tuple(plain["of"]),
        allowed=tuple(Doubt(word) for word in plain.get("allowed", ())),  # outcomes of before know no such thing
        verdict=None if plain["verdict"] is None else Verdict(plain["verdict"]),
        rule=plain.get("rule", str(SIMPLE)),  # nor did they know another rule
        conformance=plain.get("conformance"),
        reading=Reading.from_json(plain["reading"]),
        shots=tuple(Reading.from_json(reading) for reading in plain["shots"]),
    )


def _word(verdict: Verdict | None) -> str | None:
    return None if verdict is None else str(verdict)


def _origin_as_json(origin: Origin) -> dict[str, str]:
    return {"file": origin.file, "sha256": origin.sha256, "text": origin.text}
