"""Where answers go: into a table's file, a logbook, or nowhere that outlasts the command."""

from __future__ import annotations

from pathlib import Path

from wavewright.archive.answer_file import SUFFIX, AnswerFile
from wavewright.archive.answer_table import check_table
from wavewright.archive.logbook_answers import LogbookAnswers
from wavewright.archive.query import Query, query_id
from wavewright.archive.versions import versions
from wavewright.logbook.book import Logbook

THE_LOGBOOK = "logbook"
OF_LOGBOOKS = (".sqlite", ".sqlite3", ".db")


def open_answers(
    table: str | None, query: Query, *, logbook: str | None = None, afresh: bool = False
) -> AnswerFile | LogbookAnswers:
    """The answers to a query that are there already, to be taken up.

    Parameters
    ----------
    table : a .csv or .parquet file, beside which answers are kept until it is written; `logbook`, or the path or URL
        of another one; None keeps nothing.
    logbook : which one `logbook` is.
    afresh : forget the answers that are there.

    Raises
    ------
    Misuse : no such kind of table.
    StorageFault : it takes nothing.
    """
    asked = query_id(query, versions())
    if table is None:
        return AnswerFile(None, asked)
    if table == THE_LOGBOOK or "://" in table or Path(table).suffix.lower() in OF_LOGBOOKS:
        book = Logbook(logbook if table == THE_LOGBOOK else table)
        try:
            return LogbookAnswers(book, asked, {**query.words(), "versions": dict(versions())}, afresh=afresh)
        except BaseException:
            book.close()
            raise
    path = Path(table)
    check_table(path)
    return AnswerFile(path.with_name(path.name + SUFFIX), asked, afresh=afresh)
