"""Options that several commands have, and how their values are written."""

from __future__ import annotations

from collections.abc import Sequence
from glob import has_magic
from pathlib import Path
from typing import Annotated

import typer

from wavewright.cli.completion import complete_bench
from wavewright.errors import Misuse

Bench = Annotated[
    Path | None,
    typer.Option(
        "--bench",
        autocompletion=complete_bench,
        help="The bench file; if left out, bench.yaml beside the recipe or in this folder, or that of "
        "WAVEWRIGHT_BENCH, or else the simulated bench.",
    ),
]
Settings = Annotated[
    list[str] | None, typer.Option("--set", help="A parameter of the recipe, `duty=30%`; may be repeated.")
]
Instruments = Annotated[
    list[str] | None,
    typer.Option(
        "--instrument",
        help="The instrument for a role, `digitizer=NAME`, if the bench has several; may be repeated.",
    ),
]
Answers = Annotated[
    list[str] | None,
    typer.Option(
        "--answer",
        help="An answer to what the recipe asks (`ask`), `work_order=WO-000123`; may be repeated. Without one, "
        "that of the variable WAVEWRIGHT_ANSWER_WORK_ORDER; else it is asked for.",
    ),
]
Seed = Annotated[
    int | None,
    typer.Option(
        "--seed",
        min=0,
        help="Seed of a simulated bench, instead of that in the bench file; the same seed gives the same readings. "
        "If left out, the board is that of the file, and noise, sampling phase and rare events differ in each run.",
    ),
]
Draw = Annotated[
    int | None,
    typer.Option("--draw", min=0, help="Repeat the random events of an earlier run on a simulated bench: its `draw`."),
]

FileWords = Annotated[
    list[str],
    typer.Argument(
        help="CSV, WAV, HDF5, NPZ or SCPI DIF; several of them, folders, or patterns such as `'shots/*.npz'`.",
        metavar="FILES...",
    ),
]
FileInterval = Annotated[
    str | None, typer.Option("--interval", help="Time between samples, `1 us`, where the file has none.")
]


def read_settings(words: Sequence[str] | None) -> dict[str, str]:
    """`name=value` words of `--set` as a mapping.

    Raises
    ------
    Misuse : a word without `=`, or a name twice.
    """
    return _pairs(words, "--set", example="--set duty=30%", each="parameter")


def read_instruments(words: Sequence[str] | None) -> dict[str, str]:
    """`role=name` words of `--instrument` as a mapping; raises Misuse as above."""
    return _pairs(words, "--instrument", example="--instrument digitizer=fast", each="role")


def read_answers(words: Sequence[str] | None) -> dict[str, str]:
    """`name=answer` words of `--answer` as a mapping; raises Misuse as above."""
    return _pairs(words, "--answer", example="--answer work_order=WO-000123", each="field")


def read_stated(words: Sequence[str] | None) -> dict[str, str]:
    """`name=value` words of `--accuracy` as a mapping; raises Misuse as above."""
    return _pairs(words, "--accuracy", example="--accuracy gain=1.5%", each="figure")


def _pairs(words: Sequence[str] | None, option: str, *, example: str, each: str) -> dict[str, str]:
    settings: dict[str, str] = {}
    for word in words or ():
        name, equals, value = word.partition("=")
        if not (equals and name.strip() and value.strip()):
            raise Misuse(f"`{option} {word}`", expected=f"`{option} NAME=VALUE`, such as `{example}`")
        if name.strip() in settings:
            raise Misuse(f"`{option} {name.strip()}=…` is given twice", expected=f"each {each} once")
        settings[name.strip()] = value.strip()
    return settings


def number_or_name(word: str) -> int | str:
    """A channel of a file: its number, counted from 1, or its name."""
    return int(word) if word.isdigit() else word


def split_words(words: Sequence[str]) -> tuple[list[Path], dict[str, str]]:
    """Files, and options that a catalogue knows, out of what is left of a command line that takes several files.

    Raises
    ------
    Misuse : no file, an option without a value, or one given twice.
    """
    files: list[Path] = []
    rest: list[str] = []
    left = iter(words)
    for word in left:
        if not word.startswith("--"):
            file = Path(word)
            if files and not file.suffix and not file.exists() and not has_magic(word):
                raise Misuse(f"`{word}` is not an option, nor a file", expected="`--name VALUE`, such as `--low 20%`")
            files.append(file)
            continue
        rest.append(word)
        if "=" not in word and (value := next(left, None)) is not None:
            rest.append(value)
    if not files:
        raise Misuse("no file is named", expected="a file of waveforms, several, a folder or a pattern")
    return files, left_over_options(rest)


def left_over_options(rest: Sequence[str]) -> dict[str, str]:
    """`--low 20% --high=80%` as a mapping; dashes inside a name stand for underscores.

    For options that a catalogue knows and a command does not.

    Raises
    ------
    Misuse : a word that is not an option, an option without a value, or one given twice.
    """
    options: dict[str, str] = {}
    words = iter(rest)
    for word in words:
        if not word.startswith("--"):
            raise Misuse(f"`{word}` is not an option", expected="`--name VALUE`, such as `--low 20%`")
        name, equals, value = word.removeprefix("--").partition("=")
        value = value if equals else next(words, "")
        if not value:
            raise Misuse(f"`--{name}` has no value", expected=f"`--{name} VALUE`")
        if (key := name.replace("-", "_")) in options:
            raise Misuse(f"`--{name}` is given twice", expected="each option once")
        options[key] = value
    return options


LogbookAt = Annotated[
    str | None, typer.Option("--logbook", help="The logbook: a file or a database URL; your own if left out.")
]
CapturesAt = Annotated[
    str | None,
    typer.Option(
        "--captures",
        envvar="WAVEWRIGHT_CAPTURES",
        help="Where captures are shared with other computers: a folder, or a URL such as s3://bucket/captures. If left "
        "out, where the logbook says they are.",
    ),
]
