"""A letter that the code page lacks never ends a command: it is written out."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.cli.output import console
from wavewright.cli.progress_bar import ProgressBar
from wavewright.cli.visible import visible_streams
from wavewright.logbook.book import Logbook
from wavewright.reporting.terminal_trace import terminal_trace
from wavewright.waveform import Waveform

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


class Terminal(io.TextIOWrapper):
    """A stream of a code page that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("code_page", ["cp437", "cp850", "cp1252", "cp932", "utf-8"])
def test_a_progress_bar_is_drawn_in_the_letters_of_any_code_page(
    code_page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 437 and 850: consoles of America and Western Europe, 1252: their files, 932: Japan
    monkeypatch.setenv("TERM", "xterm")
    shown = io.BytesIO()
    terminal = Terminal(shown, encoding=code_page, errors="strict")
    monkeypatch.setattr(sys, "stderr", terminal)
    with visible_streams(), ProgressBar(console(stderr=True), "shots") as bar:
        for done in range(3):
            bar.update(f"{SERIAL} 3.3 µV · ≤ 5 °C", done, 3)
    terminal.flush()
    text = shown.getvalue().decode(code_page)
    assert "-7 3.3" in text
    assert "2 of 3 shots" in text
    assert "wavewright has a defect" not in text


@pytest.mark.posix("a pseudo-terminal; .ci/windows shows a bar on a console there")
@pytest.mark.parametrize("code_page", ["cp932"])
def test_a_run_shows_its_bar_on_a_terminal_of_any_code_page(code_page: str, tmp_path: Path) -> None:
    import pty

    ours, theirs = pty.openpty()
    words = ["run", "recipes/rail_ripple.yaml", "--yes", "--serial", SERIAL, "--out", str(tmp_path)]
    with subprocess.Popen(
        [sys.executable, "-m", "wavewright", *words, "--logbook", str(tmp_path / "book.sqlite")],
        env={**os.environ, "PYTHONIOENCODING": code_page, "TERM": "xterm"},
        stdout=theirs,
        stderr=theirs,
        stdin=subprocess.DEVNULL,
    ) as process:
        os.close(theirs)
        said = b""
        try:
            while part := os.read(ours, 65536):
                said += part
        except OSError:  # the last writer has gone
            pass
    os.close(ours)
    text = said.decode(code_page)
    assert process.returncode == 0, text
    assert "PASS" in text.upper()
    assert "defect" not in text


@pytest.mark.parametrize("code_page", ["cp437", "cp1252", "cp932", "ascii"])
def test_a_trace_is_drawn_with_the_signs_that_the_code_page_has(code_page: str) -> None:
    wave = Waveform.from_volts([0, 1, 1, 0] * 20, interval=1e-6, name="drive")
    plain, dotted = terminal_trace(wave, encoding=code_page), terminal_trace(wave)
    assert [line.encode(code_page).decode(code_page) for line in plain] == plain
    for line, dots in zip(plain[:-1], dotted[:-1], strict=True):
        inked = [sign not in " \u2800" for sign in dots[13:]]
        assert [sign == "#" for sign in line[13:].ljust(len(inked))] == inked
