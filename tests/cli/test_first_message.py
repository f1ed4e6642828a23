"""What a run has loaded when its first message goes out: a person, and a station, wait for it each time."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.instruments.silent_bench import BENCH
from wavewright.logbook.book import Logbook
from wavewright.simulation.server.serving import BenchServer

ROOT = Path(__file__).parents[2]
# what is needed once there is a record or an outcome, or for other ways into the logbook, or to draw on a terminal
LATER = {
    "numpy",
    "scipy",
    "h5py",
    "sqlalchemy",
    "psycopg",
    "fsspec",
    "pandas",
    "youplot",
    "jinja2",
    "pyvisa_sim",
    "statsmodels",
    "dask",
    "multiprocessing",
    "rich",
    "psutil",
    "pyvisa",  # the bench has raw sockets, and names PyVISA-py
    "pyvisa_py",
}
# what takes, computes and judges shots: loaded while the instruments say who they are
MEASURING = {"measurement_sequence", "measurement_steps", "evaluation", "automatic_settings", "shot_comparison"}
PART_OF_NUMPY = re.compile(r"^\s*(?:import|from) numpy\.(\w+)", re.MULTILINE)
UNTIL_THE_FIRST_MESSAGE = """
import os, sys, socket
def told(line, message, *rest):
    print("first message", bytes(message))
    print(*(name for name, one in sys.modules.items() if "LoadedLater" not in str(type(one))), flush=True)
    os._exit(0)
socket.socket.send = socket.socket.sendall = told
from wavewright.cli.start import main
main()
"""


def test_a_run_loads_no_database_and_no_science_before_its_first_message(tmp_path: Path) -> None:
    Logbook(tmp_path / "book.sqlite").close()
    words = ["run", str(ROOT / "recipes/end_of_line.yaml"), "--bench", "bench.yaml", "--logbook", "book.sqlite"]
    command = [sys.executable, "-c", UNTIL_THE_FIRST_MESSAGE, *words, "--yes", "--serial", "VC204-0017"]
    with socket.create_server(("127.0.0.1", 0)) as listening:  # the connections are made, and nothing is read of them
        (tmp_path / "bench.yaml").write_text(BENCH.format(port=listening.getsockname()[1]))
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    first, _, loaded = done.stdout.partition("\n")
    assert first == r"first message b'*IDN?\n'", done.stderr
    assert {name.partition(".")[0] for name in loaded.split()} & LATER == set()
    assert {f"wavewright.running.{name}" for name in MEASURING} & set(loaded.split()) == set()


@pytest.mark.parametrize("broken", ["numpy", "h5py"])
def test_a_library_that_cannot_be_loaded_after_the_first_message_ends_the_run_with_outputs_off(
    broken: str, tmp_path: Path
) -> None:
    # given instruments that answer, and an installation in which a late library is broken
    (tmp_path / "installed" / broken).mkdir(parents=True)
    (tmp_path / "installed" / broken / "__init__.py").write_text("raise ImportError('no such symbol: f')")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path / "installed"), str(ROOT / "src")])}
    words = ["run", str(ROOT / "recipes/end_of_line.yaml"), "--bench", "live.yaml", "--no-logbook", "--yes"]
    with BenchServer(ROOT / "sim/bench.yaml") as server:
        server.write_bench(tmp_path / "live.yaml")
        command = [sys.executable, "-m", "wavewright", *words, "--out", "outcomes"]
        # when a run is started
        done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    # then it says what and what to do, nothing was set, and outputs were confirmed off
    told = [line for line in done.stderr.splitlines() if not line.startswith("CAUTION")]
    assert done.returncode == 3
    assert told[0] == "what the measurements need cannot be loaded: ImportError: no such symbol: f", done.stderr
    assert told[1] == "  do: install wavewright again, with the packages that it depends on"
    assert "defect" not in done.stderr
    (log,) = (tmp_path / "outcomes").rglob("wire.log")
    sent = [line.split("\t")[4] for line in log.read_text().splitlines() if "\t>\t" in line]
    assert {message for message in sent if "?" not in message} == {r"OUTPut:STATe 0\n"}
    confirmed = sent[sent.index(r"OUTPut:STATe 0\n") :]
    assert sum(message.startswith("OUTPut:STATe?") for message in confirmed) == 2  # source and supply


def test_no_module_imports_a_part_of_numpy_that_numpy_itself_loads() -> None:
    """NumPy is loaded by a thread: a part of it that another one were to import meanwhile would wait for the whole."""
    folder = ROOT / "src/wavewright"
    parts = {part for path in folder.rglob("*.py") for part in PART_OF_NUMPY.findall(path.read_text(encoding="utf-8"))}
    assert parts == {"typing"}
