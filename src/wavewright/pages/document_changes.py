"""Every request of a page that changes the recipe's file."""

from __future__ import annotations

from wavewright.errors import Misuse
from wavewright.pages.page_requests import (
    AnyRequest,
    EditRequest,
    LimitsRequest,
    MetricRequest,
    NudgeRequest,
    SpanRequest,
    StepRequest,
    TextRequest,
)
from wavewright.pages.recipe_document import RecipeDocument
from wavewright.pages.seen_shots import SeenShot, SeenShots
from wavewright.pages.written_changes import limits_change, metric_change, span_change


def change_document(
    document: RecipeDocument, request: AnyRequest, seen: SeenShots | None, shown: SeenShot | None
) -> str:
    """Do what a page asks for to the file; what is to be said of it.

    Parameters
    ----------
    seen : the shots since the last change; shown : the one on the page.

    Raises
    ------
    Misuse : it cannot be done; nothing has changed.
    StorageFault : the file cannot be written.
    """
    match request:
        case EditRequest() as one:
            document.edit(one.id, one.text, revision=one.revision)
        case NudgeRequest() as one:
            document.nudge(one.id, one.steps, revision=one.revision)
        case TextRequest() as one:
            document.type_text(one.text, revision=one.revision)
        case StepRequest() as one:
            (document.undo if one.do == "undo" else document.redo)(revision=one.revision)
        case SpanRequest() as one:
            document.check_newest(one.revision)
            document.change_to(span_change(document.now.text, one, needed(seen).measurement))
        case MetricRequest() as one:
            document.check_newest(one.revision)
            text, name = metric_change(document.now.text, one, needed_shot(seen, shown))
            document.change_to(text)
            return f"`{name}` was written into `compute:`"
        case LimitsRequest() as one:
            document.check_newest(one.revision)
            text, names = limits_change(document.now.text, one.shots, needed(seen))
            document.change_to(text)
            return f"limits were written for {', '.join(names)}"
        case _:
            raise Misuse(f"`{request.do}` changes no file")
    return ""


def needed(seen: SeenShots | None) -> SeenShots:
    """The shots since the last change; Misuse while there is no recipe to take any by."""
    if seen is None:
        raise Misuse("the recipe has faults", do="mend them first")
    return seen


def needed_shot(seen: SeenShots | None, shown: SeenShot | None) -> SeenShot:
    """The shot on the page; Misuse before the first one since the last change."""
    if seen is None or shown is None or seen.newest is None:
        raise Misuse("there is no shot to look into")
    return shown
