"""What a run has loaded when its first message goes out: a person, and a station, wait for it each time."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

from tests.instruments.silent_bench import BENCH
from wavewright.logbook.book import Logbook

ROOT = Path(__file__).parents[2]
# what is needed once there is a record or an outcome, or for other ways into the logbook
LATER = {
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
}
UNTIL_THE_FIRST_MESSAGE = """
import os, sys, socket
def told(line, message, *rest):
    print("first message", bytes(message))
    print(*sys.modules, flush=True)
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
