"""Lists of batches and of parts, each with its counts."""

from __future__ import annotations

from wavewright.logbook.columns.line_figures import figures_by
from wavewright.pages.line.figure_pages import nothing_left
from wavewright.pages.line.line_view import LinePage, LineView, line_page

MOST_ROWS = 300


@line_page("batches", without=("verdict",))
def batches_page(view: LineView) -> LinePage:
    """Every batch, the one with the newest run first."""
    return _list(view, "batch", "batch-name", "Batches")


@line_page("parts", without=("verdict",))
def parts_page(view: LineView) -> LinePage:
    """Every part, the one with the newest run first."""
    return _list(view, "part", "part", "Parts")


def _list(view: LineView, column: str, word: str, title: str) -> LinePage:
    view.check_names()
    chosen = view.choose(view.asked.which)
    if not chosen.numbers.size:
        raise nothing_left(view)
    rows = sorted(
        figures_by(view.runs, view.standing, chosen.numbers, column), key=lambda one: one.latest, reverse=True
    )
    values = {
        "title": title,
        "chosen": chosen,
        "rows": rows[:MOST_ROWS],
        "count": len(rows),
        "heading": title[:-1] if title != "Batches" else "Batch",
        "page": column,
        "word": word,
    }
    return LinePage("list.html.j2", values, view.asked.which)
