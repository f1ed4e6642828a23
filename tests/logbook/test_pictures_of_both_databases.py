"""Trend, batch page and JUnit XML of a logbook in PostgreSQL are those of the same runs in SQLite."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from tests.logbook.made_outcomes import outcome
from tests.logbook.postgresql import Server
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import points, trend
from wavewright.reporting.batch import batch_report, study_batch, write_batch_report
from wavewright.reporting.trend_text import trend_lines

NAME = "rail_noise.ripple"
RUN = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")  # each logbook gives its own


def test_both_databases_show_the_same(server: Server, tmp_path: Path) -> None:
    runs = [outcome(number, value=0.024 + 0.0003 * (number % 5)) for number in range(8)]
    runs += [outcome(8, value=0.058), replace(outcome(9, value=None), started=runs[0].started + timedelta(days=3))]
    found = []
    for place in (tmp_path / "logbook.sqlite", server.new_database("pictures")):
        with Logbook(place) as book:
            book.enter_all(runs)
            study = study_batch(book)
            write_batch_report(book, tmp_path / "lot.xml")
            found.append(
                (
                    [RUN.sub("RUN", line) for line in trend_lines(trend(book, NAME), points(book, NAME), width=80)],
                    RUN.sub("RUN", batch_report(study)),
                    [(run.serial, names) for run, names in study.failed_units],
                    RUN.sub("RUN", (tmp_path / "lot.xml").read_text(encoding="utf-8")),
                )
            )
    assert found[0] == found[1]
    lines, page, failed, _ = found[0]
    assert any(line.endswith(" limit 40 mV") for line in lines)
    assert failed == [("VC204-0008", (NAME,)), ("VC204-0009", (NAME,))]
    assert "58.0 mV" in page
