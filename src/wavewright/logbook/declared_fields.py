"""Declared fields of runs in the database: they stand in the document of each run, and are looked up there."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Text, literal, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from wavewright.logbook.chain import CHUNK
from wavewright.logbook.tables import outcomes

KEY = "declared"


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
    if "*" not in text:
        return holds & (found == text)
    pattern = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_").replace("*", "%")
    return holds & found.like(pattern, escape="\\")


def declared_in(connection: Connection, runs: Sequence[str]) -> dict[str, dict[str, str]]:
    """By run, the texts of its declared fields by name; runs without any are left out."""
    found: dict[str, dict[str, str]] = {}
    holds = outcomes.c.document.contains(f'"{KEY}"', autoescape=True)
    for first in range(0, len(runs), CHUNK):
        query = select(outcomes.c.id, outcomes.c.document).where(outcomes.c.id.in_(runs[first : first + CHUNK]), holds)
        for run, document in connection.execute(query):
            try:
                fields = json.loads(document).get(KEY, {})
                found[run] = {str(name): str(one["text"]) for name, one in fields.items()}
            except (ValueError, KeyError, TypeError, AttributeError):  # `verify` says what is wrong with it
                continue
    return {run: fields for run, fields in found.items() if fields}
