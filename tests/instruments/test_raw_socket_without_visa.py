"""A bench of raw sockets that names PyVISA-py: opened without it, with the same errors; anything else takes PyVISA."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.instruments.silent_bench import BENCH
from tests.kept_port import KeptPort
from wavewright.errors import LinkLost
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.simulation.server.serving import BenchServer

ROOT = Path(__file__).parents[2]
IDENTIFIED = """
import sys
from pathlib import Path
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
with open_bench(load_bench(Path(sys.argv[1]))) as bench:
    print(*bench.identities.values(), sep="\\n")
print("pyvisa" in sys.modules)
"""


def test_instruments_at_raw_sockets_say_who_they_are_without_pyvisa(tmp_path: Path) -> None:
    with BenchServer(ROOT / "sim/bench.yaml") as server:
        server.write_bench(tmp_path / "live.yaml")
        command = [sys.executable, "-c", IDENTIFIED, str(tmp_path / "live.yaml")]
        *identities, is_loaded = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    kinds = [one.split(",")[1] for one in identities]
    assert kinds == [f"Simulated {role}" for role in ("digitizer", "supply", "source", "meter")]
    assert is_loaded == "False"


def test_nobody_at_the_port_is_a_connection_that_was_not_made(tmp_path: Path) -> None:
    kept = KeptPort()
    port = kept.number
    (tmp_path / "bench.yaml").write_text(BENCH.format(port=port))
    with pytest.raises(LinkLost) as told, open_bench(load_bench(tmp_path / "bench.yaml")):
        pass
    kept.close()
    assert f"TCPIP0::127.0.0.1::{port}::SOCKET: no connection: " in str(told.value)
    assert "do: check that the instrument is on, and its address in the bench file" in str(told.value)


def test_a_host_that_has_no_address_is_named(tmp_path: Path) -> None:
    text = BENCH.format(port=5025).replace("127.0.0.1", "digitizer.invalid")  # RFC 2606, 2: never resolves
    (tmp_path / "bench.yaml").write_text(text)
    with pytest.raises(LinkLost) as told, open_bench(load_bench(tmp_path / "bench.yaml")):
        pass
    assert "TCPIP0::digitizer.invalid::5025::SOCKET: no connection" in str(told.value)
