"""Declared fields of runs in the database: they stand in the document of each run, and are looked up there."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, Text, literal, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from wavewright.errors import StorageFault
from wavewright.logbook.chain import CHUNK
from wavewright.logbook.tables import outcomes
from wavewright.logbook.word_pattern import means

if TYPE_CHECKING:
    from wavewright.logbook.book import Logbook

KEY = "declared"


class declared_object(FunctionElement[str]):  # noqa: N801  # a function of SQL, named as they are
    """All declared fields of a document, as JSON; NULL where there are none."""

    type = Text()
    inherit_cache = True
    name = "declared_object"


@compiles(declared_object, "sqlite")
def _object_in_sqlite(element: declared_object, compiler: SQLCompiler, **how: Any) -> str:
    (document,) = (compiler.process(clause, **how) for clause in element.clauses)
    return f"CASE WHEN json_valid({document}) THEN json_extract({document}, '$.{KEY}') END"


@compiles(declared_object, "postgresql")
def _object_in_postgresql(element: declared_object, compiler: SQLCompiler, **how: Any) -> str:
    (document,) = (compiler.process(clause, **how) for clause in element.clauses)
    return f"CAST(CAST({document} AS json) -> '{KEY}' AS text)"


class declared_text(FunctionElement[str]):  # noqa: N801  # a function of SQL, named as they are
    """The text of one declared field in a document; NULL where there is none, or the document is damaged."""

    type = Text()
    inherit_cache = True
    name = "declared_text"


@compiles(declared_text, "sqlite")
def _in_sqlite(element: declared_text, compiler: SQLCompiler, **how: Any) -> str:
    document, field = (compiler.process(clause, **how) for clause in element.clauses)
    path = f"'$.{KEY}.' || {field} || '.text'"
    return f"CASE WHEN json_valid({document}) THEN json_extract({document}, {path}) END"


@compiles(declared_text, "postgresql")
def _in_postgresql(element: declared_text, compiler: SQLCompiler, **how: Any) -> str:
    document, field = (compiler.process(clause, **how) for clause in element.clauses)
    return f"jsonb_extract_path_text(CAST({document} AS jsonb), '{KEY}', CAST({field} AS text), 'text')"


def declares(name: str, text: str) -> ColumnElement[bool]:
    """The condition that a run declares this field so; `*` in the text stands for anything.

    Parameters
    ----------
    name : letters, digits and `_`.
    """
    # what no document without the field can hold is looked for first: most are not parsed then
    holds = outcomes.c.document.contains(f'"{name}"', autoescape=True)
    found = declared_text(outcomes.c.document, literal(name))
    return holds & means(found, text)


def every_declared(book: Logbook, runs: Sequence[str] | None = None) -> dict[str, dict[str, str]]:
    """By run, the texts of its declared fields by name; runs without any are left out.

    Parameters
    ----------
    runs : their ids; None: every run of the logbook, of whose documents the database picks the fields out.

    Raises
    ------
    StorageFault : the database cannot be read.
    """
    if runs is not None:
        with book.reading() as connection:
            return declared_in(connection, runs)
    try:
        with book.reading() as connection:
            rows = connection.execute(select(outcomes.c.id, declared_object(outcomes.c.document)).where(_HOLDS)).all()
    except StorageFault:  # PostgreSQL gives up at the first damaged document
        with book.reading() as connection:
            return declared_in(connection, list(connection.execute(select(outcomes.c.id)).scalars()))
    return {run: fields for run, written in rows if (fields := _texts(written, within=None))}


def declared_in(connection: Connection, runs: Sequence[str]) -> dict[str, dict[str, str]]:
    """By run, the texts of its declared fields by name; runs without any are left out."""
    found: dict[str, dict[str, str]] = {}
    for first in range(0, len(runs), CHUNK):
        query = select(outcomes.c.id, outcomes.c.document).where(outcomes.c.id.in_(runs[first : first + CHUNK]), _HOLDS)
        for run, document in connection.execute(query):
            if fields := _texts(document, within=KEY):
                found[run] = fields
    return found


_HOLDS = outcomes.c.document.contains(f'"{KEY}"', autoescape=True)


def _texts(written: str | None, *, within: str | None) -> dict[str, str]:
    """The texts of fields by name; none where they are damaged: `verify` says what is wrong with it."""
    try:
        fields = json.loads(written or "{}")
        fields = fields if within is None else fields.get(within, {})
        return {str(name): str(one["text"]) for name, one in fields.items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}
