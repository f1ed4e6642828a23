"""Texts in tables for spreadsheets: shown there, and never computed."""

from __future__ import annotations

# What a spreadsheet takes for the beginning of a formula, also after a tab or a line end that it drops
# (common practice, no source).
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n")


def as_cell(value: object) -> object:
    """The value; a text that would begin a formula gets an apostrophe in front, which spreadsheets do not show.

    A text that is a plain number, `-5` say, stays as it is.
    """
    if not isinstance(value, str) or not value.startswith(FORMULA_SIGNS):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value
