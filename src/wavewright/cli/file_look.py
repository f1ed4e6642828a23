"""`wavewright look FILES`: what each stored record is, in one table, and which are unlike the others."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.errors import Misuse

if TYPE_CHECKING:
    from wavewright.archive.answer import ItemAnswer
    from wavewright.cli.answering import AnswersWanted

MOST_DRAWN = 100  # files, with a picture each
COLUMNS = ("file", "channel", "what", "unlike")


def look_at_files(
    files: Sequence[Path],
    *,
    interval: str | None,
    picture: str | None,
    answering: AnswersWanted,
    as_json: bool,
) -> int:
    """Recognise every channel of every file, and print one table or one JSON document; returns the exit status."""
    from wavewright.archive.pile import files_of, is_pile
    from wavewright.archive.recognised_files import MarkedAnswers, RecognisedFiles
    from wavewright.quantities import read_quantity

    step = None if interval is None else read_quantity(interval, unit="s").value
    query = RecognisedFiles(step)
    is_alone = not answering.is_wanted and not is_pile(files)
    found = [str(files[0])] if is_alone else files_of(files)
    if picture is not None and len(found) > MOST_DRAWN:
        raise Misuse(f"`--picture` of {len(found)} files", expected=f"{MOST_DRAWN} at most", do="name fewer of them")
    if is_alone:
        answer = query.answer(found[0])
        status = _tell([answer], as_json=as_json, is_alone=True)
        readable = found
    else:
        with answering.answers(query, found) as answers:
            answers.tabled = marked = MarkedAnswers(answers)
            status = _tell(marked, as_json=as_json, is_kept=answering.is_kept)
            readable = [one.item for one in marked if not one.fault] if picture is not None else []
    if picture is not None:
        _draw(readable, step, picture, as_json=as_json)
    return status


def _tell(answers: Iterable[ItemAnswer], *, as_json: bool, is_kept: bool = False, is_alone: bool = False) -> int:
    from wavewright.cli.pile_table import tell_pile

    return tell_pile(answers, COLUMNS, as_json=as_json, is_kept=is_kept, is_alone=is_alone, more=_said)


def _said(one: ItemAnswer) -> Iterator[str]:
    """What is said on the lines of a file, alone and together."""
    for row, plain in zip(one.rows, one.document, strict=True):
        yield from (f"{one.item}, {row['channel']}: {said}" for said in plain.get("said", ()))
    together = {row["together"]: plain["together"]["said"] for row, plain in zip(one.rows, one.document, strict=True)
                if row["together"]}  # fmt: skip
    for words, said in together.items():
        yield f"{one.item}: {words}"
        yield from (f"  {each}" for each in said)


def _draw(files: Sequence[str], step: float | None, where: str, *, as_json: bool) -> None:
    """A picture per file, its channels below one another."""
    from wavewright.cli.picture_option import show_pictures
    from wavewright.logbook.formats.catalogue import read_waveforms
    from wavewright.reporting.traces import trace_picture

    pictures = [
        trace_picture(read_waveforms(file, interval=step), trigger_time=0.0, name=f"file{number}",
                      title=Path(file).name, keep_codes=False)
        for number, file in enumerate(files)
    ]  # fmt: skip
    show_pictures(pictures, where, as_json=as_json)
