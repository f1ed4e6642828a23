"""A word in which `*` stands for anything, as a condition of the database: capital letters differ from small ones."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Boolean, ColumnElement, literal
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

_FOR_LIKE = str.maketrans({"\\": "\\\\", "%": "\\%", "_": "\\_", "*": "%"})
_FOR_GLOB = str.maketrans({"?": "[?]", "[": "[[]"})


class fits_pattern(FunctionElement[bool]):  # noqa: N801  # a function of SQL, named as they are
    """Whether a text fits; given are the text, and the pattern as GLOB and as LIKE write it."""

    type = Boolean()
    inherit_cache = True
    name = "fits_pattern"


@compiles(fits_pattern, "sqlite")
def _in_sqlite(element: fits_pattern, compiler: SQLCompiler, **how: Any) -> str:
    text, pattern, _ = element.clauses
    return f"{compiler.process(text, **how)} GLOB {compiler.process(pattern, **how)}"  # LIKE does not tell a from A


@compiles(fits_pattern, "postgresql")
def _in_postgresql(element: fits_pattern, compiler: SQLCompiler, **how: Any) -> str:
    text, _, pattern = element.clauses
    return f"{compiler.process(text, **how)} LIKE CAST({compiler.process(pattern, **how)} AS text)"


def means(text: ColumnElement[str], pattern: str) -> ColumnElement[bool]:
    """The condition that a text is what a pattern means; without `*` it is exactly that."""
    if "*" not in pattern:
        return text == pattern
    return fits_pattern(text, literal(pattern.translate(_FOR_GLOB)), literal(pattern.translate(_FOR_LIKE)))
