"""Runs as a table on the terminal, or as JSON."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from wavewright.cli.output import console, print_json
from wavewright.reporting.console_table import console_table, plain_cells

if TYPE_CHECKING:
    from wavewright.logbook.queries import RunEntry


def show_runs(found: list[RunEntry], apart: Collection[str], as_json: bool) -> None:
    """Runs of the logbook, one per line, or as JSON.

    Parameters
    ----------
    apart : serial numbers of the units in quarantine.
    """
    if as_json:
        print_json([{**entry.as_json(), "in_quarantine": entry.serial in apart} for entry in found])
        return
    from rich.text import Text

    from wavewright.reporting.readings_on_screen import STYLES

    headings = ("run", "started, UTC", "recipe", "part", "serial", "verdict", "bench")
    table = console_table(headings, whole=("run", "started, UTC", "verdict", "bench"))
    for entry in found:
        cells = (entry.id, f"{entry.started:%Y-%m-%d %H:%M:%S}", entry.recipe, entry.part, entry.serial)
        table.add_row(
            *(Text(cell) for cell in cells),
            Text(entry.verdict + (", in quarantine" if entry.serial in apart else ""), STYLES.get(entry.verdict, "")),
            "simulated" if entry.simulated else "real",
        )
    console().print(table if found else "no runs")


def show_unfinished(out: Path, as_json: bool) -> None:
    """The runs in a folder of evidence that have no outcome, one per line, or as JSON."""
    from wavewright.logbook.unfinished import unfinished

    found = unfinished(out)
    if as_json:
        print_json([one.as_json() for one in found])
        return
    table = console_table(("folder", "started, UTC", "recipe", "serial", "shots", ""))
    for one in found:
        started = "" if one.started is None else f"{one.started:%Y-%m-%d %H:%M:%S}"
        state = "running" if one.is_alive else "interrupted"
        cells = (str(one.folder), started, one.recipe, one.serial, str(one.shots), state)
        table.add_row(*plain_cells(*cells))
    console().print(table if found else f"no unfinished runs in {out}")
    if any(not one.is_alive and one.shots for one in found):
        print(f"`wavewright logbook import {out}` enters the interrupted runs")
