"""`wavewright help`, and what every command's own help has."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wavewright.cli.command_examples import EXAMPLES
from wavewright.cli.main import execute, root_command
from wavewright.logbook.book import Logbook
from wavewright.logbook.queries import entries

ROOT = Path(__file__).parents[2]
# that touch nothing but the screen, and need no run before them
RUN = ("buses", "doubts", "metrics", "plan", "profile list", "profile show", "schema", "validate", "bench identify")


def commands(command: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    for inner, below in command.commands.items():
        words = f"{name} {inner}".strip()
        if hasattr(below, "commands"):
            yield from commands(below, words)
        else:
            yield words, below


COMMANDS = dict(commands(root_command()))
SHOWN = {name: EXAMPLES.get(name) or getattr(command, "examples", ()) for name, command in COMMANDS.items()}


def test_every_command_has_an_example_and_no_example_is_of_none() -> None:
    assert [name for name, examples in SHOWN.items() if not examples] == []
    assert set(EXAMPLES) <= set(COMMANDS)


@pytest.mark.parametrize("name", SHOWN)
def test_an_example_is_understood(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for folder in ("recipes", "sim"):
        (tmp_path / folder).symlink_to(ROOT / folder)
    for file in ("trace.csv", "shot1.npz", "shot2.npz", "own.yaml", "wire.log", "tighter.yaml"):
        (tmp_path / file).touch()
    monkeypatch.chdir(tmp_path)
    for line in SHOWN[name]:
        words = shlex.split(line)
        assert words[: 1 + len(name.split())] == ["wavewright", *name.split()]
        COMMANDS[name].make_context(name, words[1 + len(name.split()) :])


@pytest.mark.parametrize("name", RUN)
def test_an_example_that_only_prints_runs(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    for line in SHOWN[name]:
        assert execute(shlex.split(line)[1:]) == 0


@pytest.mark.parametrize("name", COMMANDS)
def test_help_is_short_to_ask_for_and_in_plain_words(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute([*name.split(), "-h"]) == 0
    told = capsys.readouterr().out
    for line in SHOWN[name]:
        assert f"\n    {line}\n" in told
    for jargon in ("list[", "<str>", "<path>", "<int", "int range", "<float", "Path]", "<bool>"):
        assert jargon not in told


@pytest.mark.parametrize("group", ["", "bench", "logbook", "profile", "study"])
def test_no_line_of_a_list_of_commands_is_cut_off(
    group: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert execute([*group.split(), "-h"]) == 0
    listed = capsys.readouterr().out.split("Commands:")[1]
    assert listed.count("\n") > 3
    assert "..." not in listed


def test_topics_are_listed_and_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["help"]) == 0
    told = capsys.readouterr().out
    assert "Metrics of waveforms" in told
    assert "rise_time" in told
    assert not [line for line in told.splitlines() if line.endswith(" ")]
    assert execute(["help", "logbook", "find"]) == 0
    assert "wavewright logbook find --serial" in capsys.readouterr().out
    assert execute(["help", "risetime"]) == 64
    assert "did you mean `rise_time`?" in capsys.readouterr().err


def test_topics_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["help", "thd", "--json"]) == 0
    (topic,) = json.loads(capsys.readouterr().out)
    assert topic["group"] == "metric"
    assert execute(["help", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) > 200


@pytest.mark.parametrize(
    "words, offered",
    [
        ("wavewright measure trace.csv --metric rise", "rise_time"),
        ("wavewright metrics thd", "thd"),
        ("wavewright decode trace.csv --bus ua", "uart"),
        ("wavewright decode trace.csv --then modb", "modbus_rtu"),
        ("wavewright buses sm", "smbus"),
        ("wavewright help clip", "clipped"),
        ("wavewright logb", "logbook"),
        ("wavewright run r", "recipes/rail_ripple.yaml"),
        ("wavewright plan ow", "own.yaml"),
        ("wavewright plan folder/ow", "folder/own.yaml"),
        ("wavewright run own.yaml --bench sim/", "sim/bench_faulty.yaml"),
        ("wavewright profile show scpi-d", "scpi-digitizer"),
        ("wavewright logbook find --verdict f", "fail"),
    ],
)
def test_a_shell_completes(words: str, offered: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for path in ("own.yaml", "folder/own.yaml"):
        (tmp_path / path).write_text("# of our own\nwavewright: 1\ntitle: own\n", encoding="utf-8")
    (tmp_path / "owner.yaml").write_text("wavewright-bench: 1\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert offered in completed(words)
    assert "owner.yaml" not in completed("wavewright plan own")


def completed(words: str) -> list[str]:
    """What bash is offered for a command line whose last word is begun."""
    environment = {**os.environ, "_WAVEWRIGHT_COMPLETE": "complete_bash", "COMP_WORDS": words}
    environment["COMP_CWORD"] = str(len(words.split()) - 1)
    command = [sys.executable, "-c", "from wavewright.cli.start import main; main()"]
    told = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert told.stderr == ""
    return told.stdout.split()


def test_a_shell_completes_runs_and_readings_of_the_logbook_that_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    book = ["--logbook", "own.sqlite"]
    files = [str(ROOT / "recipes/rail_ripple.yaml"), "--bench", str(ROOT / "sim/bench.yaml")]
    assert execute(["run", *files, "--yes", *book]) == 0
    (run,) = [entry.id for entry in entries(Logbook.existing("own.sqlite"))]
    assert completed(f"wavewright logbook show --logbook own.sqlite {run[:4]}") == [run]
    assert completed("wavewright recompute --logbook own.sqlite la") == ["last"]
    assert completed("wavewright logbook trend --logbook own.sqlite rail") == ["rail_noise.ripple"]
    # where there is no logbook there is nothing to offer, and none is made
    assert completed("wavewright logbook show --logbook none.sqlite 2") == []
    assert not (tmp_path / "none.sqlite").exists()
