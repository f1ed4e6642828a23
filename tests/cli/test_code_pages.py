"""A letter that the code page lacks never ends a command: it is written out."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.logbook.book import Logbook

SERIAL = "BRD-Ω-7"


@pytest.mark.parametrize("code_page", ["cp1252", "cp1252:surrogateescape", "cp437", "ascii"])
def test_the_logbook_is_listed_under_any_code_page(code_page: str, tmp_path: Path) -> None:
    book = tmp_path / "book.sqlite"
    with Logbook(book) as opened:
        opened.enter(replace(outcome(), serial=SERIAL))
    for form in ([], ["--json"]):
        done = subprocess.run(
            [sys.executable, "-m", "wavewright", "logbook", "list", *form, "--logbook", str(book)],
            env={**os.environ, "PYTHONIOENCODING": code_page},
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        shown = done.stdout.decode(code_page.partition(":")[0])
        if form:
            assert SERIAL in [run["serial"] for run in json.loads(shown)]
        else:
            assert "-7" in shown
