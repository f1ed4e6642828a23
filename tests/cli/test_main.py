from __future__ import annotations

import errno
import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from wavewright.analysis import catalogue
from wavewright.cli.main import execute
from wavewright.errors import FileFault, Misuse, Place

Command = Callable[..., Spoken]

HEAVY = ("scipy", "h5py", "sqlalchemy", "youplot", "pandas", "pyvisa", "numpy", "yaml")


def modules_after(*arguments: str, cwd: Path) -> set[str]:
    """The top-level packages that a fresh interpreter has imported once the command is done."""
    script = (
        "import sys\nfrom wavewright.cli.main import execute\n"
        f"status = execute({list(arguments)!r})\n"
        "waiting = {name for name, one in sys.modules.items() if 'LoadedLater' in str(type(one))}\n"
        "print('\\x00', status, *{name.partition('.')[0] for name in sys.modules} - waiting)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=cwd)
    status, *names = done.stdout.rpartition("\x00")[2].split()
    assert status == "0", done.stderr
    return set(names)


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("run", "--help"), ("metrics", "--help")])
def test_help_imports_nothing_heavy(arguments: tuple[str, ...], tmp_path: Path) -> None:
    assert not modules_after(*arguments, cwd=tmp_path) & set(HEAVY)


def test_checking_a_recipe_loads_nothing_that_talks_to_instruments(tmp_path: Path) -> None:
    recipe = Path("recipes/end_of_line.yaml").resolve()
    unused = {"scipy", "h5py", "sqlalchemy", "youplot", "pandas", "pyvisa", "pyvisa_py", "pyvisa_sim", "jinja2", "re2"}
    assert not modules_after("validate", str(recipe), cwd=tmp_path) & unused


@pytest.mark.parametrize("name", ["end_of_line", "field_bus", "rail_ripple"])
def test_reading_a_recipe_loads_no_numpy(name: str, tmp_path: Path) -> None:
    # decoded lines, metrics, masks: all of them are checked by what they say of themselves
    recipe = Path(f"recipes/{name}.yaml").resolve()
    assert "numpy" not in modules_after("validate", str(recipe), cwd=tmp_path)


def test_a_plan_loads_no_science_database_or_drawing(tmp_path: Path) -> None:
    recipe = Path("recipes/end_of_line.yaml").resolve()
    unused = {"scipy", "h5py", "sqlalchemy", "youplot", "pandas", "pyvisa", "pyvisa_py", "pyvisa_sim", "jinja2"}
    assert not modules_after("plan", str(recipe), cwd=tmp_path) & unused


def test_help_names_every_command_and_the_exit_statuses(wavewright: Command) -> None:
    told = wavewright("--help")
    assert told.status == 0
    folder = Path(sys.modules["wavewright.cli.commands"].__file__ or "").parent
    for path in folder.glob("[a-z]*.py"):
        assert f"  {path.stem} " in told.stdout
    assert "0 pass, 1 fail, 2 inconclusive, 3 error, 64 wrong usage" in told.stdout


@pytest.mark.parametrize(
    "arguments, said",
    [
        (("rnu",), "rnu"),
        (("metrics", "--jsn"), "--jsn"),
        (("metrics", "rise_time", "fall_time"), "fall_time"),
        (("examples",), "FOLDER"),
    ],
)
def test_wrong_usage_exits_64_and_says_what_is_wrong(
    arguments: tuple[str, ...], said: str, wavewright: Command
) -> None:
    told = wavewright(*arguments)
    assert told.status == 64
    assert said in told.stderr
    assert told.stdout == ""


def test_no_command_at_all_is_wrong_usage_and_shows_the_help(wavewright: Command) -> None:
    told = wavewright()
    assert told.status == 64
    assert "metrics" in told.stderr + told.stdout


@pytest.mark.parametrize(
    "error, status",
    [
        (FileFault("unknown key `shotss`", where=Place("a.yaml", 3, 5), do="did you mean `shots`?"), 3),
        (Misuse("no"), 64),
    ],
)
def test_an_error_of_ours_is_printed_as_it_is(
    error: Exception, status: int, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse() -> None:
        raise error

    monkeypatch.setattr(catalogue, "metrics", refuse)
    told = wavewright("metrics")
    assert (told.status, told.stderr, told.stdout) == (status, f"{error}\n", "")


def test_a_defect_of_ours_says_how_to_report_it_and_shows_no_traceback(
    wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble() -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(catalogue, "metrics", stumble)
    told = wavewright("metrics")
    assert told.status == 3
    assert "ZeroDivisionError in tests.cli.test_main" in told.stderr
    assert "WAVEWRIGHT_TRACEBACK=1" in told.stderr
    assert "Traceback" not in told.stderr
    monkeypatch.setenv("WAVEWRIGHT_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        wavewright("metrics")


def test_a_reader_that_left_early_gets_no_words_and_no_pass() -> None:
    reading_end, writing_end = os.pipe()
    os.close(reading_end)
    command = [sys.executable, "-m", "wavewright", "metrics", "--json"]
    done = subprocess.run(command, stdout=writing_end, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writing_end)
    assert (done.returncode, done.stderr) == (3, "")


def test_no_colour_reaches_a_pipe_or_a_terminal_that_wants_none(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "wavewright", "metrics"]
    for wish in ({"NO_COLOR": "1", "FORCE_COLOR": ""}, {}):
        environment = {**os.environ, **wish}
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment, cwd=tmp_path)
        assert "\x1b[3" not in done.stdout


class Closed(io.StringIO):
    """A pipe whose reader has gone, in the words of Windows."""

    def __init__(self, place: Path) -> None:
        super().__init__()
        self._file = place.open("wb")

    def fileno(self) -> int:
        return self._file.fileno()

    def write(self, text: str) -> int:
        raise OSError(errno.EINVAL, "Invalid argument")

    def flush(self) -> None:
        self.write("")


def test_a_closed_pipe_of_windows_is_no_defect(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("WAVEWRIGHT_TRACEBACK", raising=False)
    monkeypatch.setattr(sys, "stdout", Closed(tmp_path / "pipe"))
    assert execute(["metrics", "--json"]) == 3
    assert capsys.readouterr().err == ""


def test_any_other_invalid_argument_is_one(monkeypatch: pytest.MonkeyPatch, wavewright: Command) -> None:
    def invalid() -> None:
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(catalogue, "metrics", invalid)
    told = wavewright("metrics")
    assert told.status == 3
    assert "wavewright has a defect: OSError" in told.stderr
