"""The simulated bench over TCP, with PyVISA-py 0.8.1 as the client, and by bytes where that client cannot."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import pyvisa
import yaml
from pyvisa.resources import MessageBasedResource

from tests.simulation.conftest import SIM, connect, errors_of, opened
from wavewright.errors import BenchFault, FileFault, StorageFault
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.recipe.load import load_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run
from wavewright.running.run_options import RunOptions
from wavewright.simulation.server.serving import BenchServer, serve

DATA = 'SENSe:DATA? "XTIMe:VOLTage 1"'
HEADER = struct.Struct("!2sBBIQ")


@pytest.fixture(params=["raw socket", "HiSLIP"])
def server(request: pytest.FixtureRequest) -> Iterator[BenchServer]:
    with BenchServer(SIM / "bench.yaml", hislip=request.param == "HiSLIP") as running:
        yield running


def address(server: BenchServer, name: str) -> str:
    return server.addresses[f"TCPIP0::{name}.example::inst0::INSTR"]


def client(server: BenchServer, name: str = "digitizer") -> MessageBasedResource:
    resource = pyvisa.ResourceManager("@py").open_resource(
        address(server, name), read_termination="\n", write_termination="\n", timeout=5000
    )
    assert isinstance(resource, MessageBasedResource)
    return resource


def block(resource: MessageBasedResource, message: str) -> bytes:
    """A definite block by exact count, as it must be done on a raw socket."""
    resource.write(message)
    termination, resource.read_termination = resource.read_termination, None
    digits = int(resource.read_bytes(2)[1:])
    content = resource.read_bytes(int(resource.read_bytes(digits)) + 1, chunk_size=1 << 18)
    resource.read_termination = termination
    return content[:-1]


def test_answers_over_the_wire_as_in_the_library(server: BenchServer) -> None:
    with closing(client(server)) as digitizer:
        assert digitizer.query("*IDN?") == connect(opened(), "digitizer").query("*IDN?")
        digitizer.write("TRIGger:LEVel 1.5")
        assert float(digitizer.query("TRIGger:LEVel?")) == 1.5
        assert errors_of(digitizer) == []


def test_brings_the_same_bytes_as_the_library(server: BenchServer) -> None:
    library = connect(opened(), "digitizer")
    messages = ("FORMat:DATA INTeger,8", "SENSe:SWEep:POINts 100000", "TRIGger:SOURce IMMediate")
    with closing(client(server)) as served:
        for message in (*messages, "INITiate"):
            library.write(message)
            served.write(message)
        assert library.query("*OPC?") == served.query("*OPC?") == "1"
        expected = np.asarray(library.query_binary_values(DATA, "b", container=np.ndarray)).tobytes()
        assert block(served, DATA) == expected


def test_a_pending_trigger_is_silence_until_something_happens(server: BenchServer) -> None:
    with closing(client(server)) as digitizer, closing(client(server, "supply")) as supply:
        for message in ("TRIGger:SOURce INTernal1", "TRIGger:LEVel 0.5", "SENSe1:VOLTage:RANGe:OFFSet 0", "INITiate"):
            digitizer.write(message)
        # the rail stands still at 3.3 V through a probe of 10: no edge, whatever the patience
        digitizer.timeout = 200
        digitizer.write("*OPC?")
        with pytest.raises(pyvisa.VisaIOError):
            digitizer.read()
        assert supply.query("*OPC?") == "1"


def test_an_edge_that_another_client_makes_ends_the_silence(server: BenchServer) -> None:
    with (
        closing(client(server)) as digitizer,
        closing(client(server, "supply")) as supply,
        closing(client(server, "prompts")) as prompts,
    ):
        prompts.write('DISPlay:TEXT "Probe 1 on TP3."')
        assert prompts.query("*OPC?") == "1"
        supply.write("OUTPut OFF")
        for _ in range(10):  # time goes by with messages
            assert supply.query("*OPC?") == "1"
        for message in (
            "SENSe1:VOLTage:RANGe:PTPeak 0.8",
            "TRIGger:SOURce INTernal1",
            "TRIGger:LEVel 0.15",
            "INITiate",
        ):
            digitizer.write(message)
        assert digitizer.query("STATus:OPERation:CONDition?") == "32"
        digitizer.write("*OPC?")
        supply.write("VOLTage 24;CURRent 1;:OUTPut ON")
        assert supply.query("OUTPut?") == "1"
        assert digitizer.read() == "1"


def test_many_clients_at_once(server: BenchServer) -> None:
    clients = [client(server, name) for name in ("digitizer", "supply", "source", "meter") for _ in range(8)]
    for number, each in enumerate(clients):
        each.write(f"*ESE {number}")
    assert [each.query("*IDN?").split(",")[0] for each in clients] == ["Wavewright"] * len(clients)
    assert server.clients == len(clients)
    for each in clients:
        each.close()


def test_a_client_that_goes_in_the_middle_leaves_the_others_alone(server: BenchServer) -> None:
    rude = client(server)
    for message in ("TRIGger:SOURce BUS", "INITiate", "*OPC?"):
        rude.write(message)
    rude.close()
    with closing(client(server)) as polite:
        assert polite.query("*IDN?").startswith("Wavewright")
        polite.write("ABORt")
        assert polite.query("*OPC?") == "1"


def test_what_is_left_of_a_dropped_link(tmp_path: Path) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text(
        "wavewright-faults: 1\nfaults:\n"
        "  cable: {instrument: digitizer, fault: drop the link, at: 'IDN', times: 1, bytes: 4}\n",
        encoding="utf-8",
    )
    bench = tmp_path / "bench.yaml"
    text = (SIM / "bench.yaml").read_text(encoding="utf-8")
    text = text.replace('"instruments.yaml@sim"', f'"{SIM.as_posix()}/instruments.yaml@sim"')
    bench.write_text(text.replace("vc204.yaml, seed: 204", f"{SIM}/vc204.yaml, faults: {faults}"), encoding="utf-8")
    with BenchServer(bench) as server:
        host, port = address(server, "digitizer").split("::")[1:3]
        with socket.create_connection((host, int(port)), timeout=5) as plain:
            plain.sendall(b"*IDN?\n")
            received = b""
            while part := plain.recv(100):
                received += part
            assert received == b"Wave"
        with closing(client(server)) as again:
            assert again.query("*IDN?").startswith("Wavewright")


def test_an_answer_that_a_fault_holds_back_comes_all_the_same(tmp_path: Path) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text(
        "wavewright-faults: 1\nfaults:\n  late: {instrument: digitizer, fault: delay, at: 'IDN', by: 100 ms}\n",
        encoding="utf-8",
    )
    bench = tmp_path / "bench.yaml"
    text = (SIM / "bench.yaml").read_text(encoding="utf-8")
    text = text.replace('"instruments.yaml@sim"', f'"{SIM.as_posix()}/instruments.yaml@sim"')
    bench.write_text(text.replace("vc204.yaml, seed: 204", f"{SIM}/vc204.yaml, faults: {faults}"), encoding="utf-8")
    for wire in (False, True):
        with BenchServer(bench, hislip=wire) as server, closing(client(server)) as digitizer:
            assert digitizer.query("*IDN?").startswith("Wavewright")


def values(outcome: Outcome) -> list[tuple[str, float | None]]:
    return [(result.name, result.reading.value) for each in outcome.measurements for result in each.results]


RECIPE = """
wavewright: 1
title: A short look at the board
measurements:
  rail:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 400 us, rate: 25 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 0 V}
    shots: 3
    compute: {ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV}}
  reset_hold:
    place: Probe 1 on TP9.
    channels: {reset: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 20k}
    trigger: {mode: normal, on: reset, edge: falling, level: 1.65 V, timeout: 5 s}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    compute:
      reset_low: {metric: time_between, of: reset, from: falling 0.99 V, to: rising 2.31 V, limit: 1.6 ms .. 3.2 ms}
"""


def test_a_run_over_the_wire_reads_the_same_as_in_the_library(server: BenchServer, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    live = tmp_path / "live.yaml"
    server.write_bench(live)
    served = run(load_recipe(recipe), load_bench(live), pause=lambda _: None)
    simulated = run(load_recipe(recipe), load_bench(SIM / "bench.yaml"), RunOptions(seed=204), pause=lambda _: None)
    assert served.verdict == simulated.verdict
    assert values(served) == values(simulated)


def test_a_written_bench_file_points_at_the_sockets(server: BenchServer, tmp_path: Path) -> None:
    server.write_bench(tmp_path / "live.yaml")
    written = yaml.safe_load((tmp_path / "live.yaml").read_text(encoding="utf-8"))
    assert written["library"] == "@py"
    assert written["instruments"]["supply"]["resource"] == address(server, "supply")
    assert written["instruments"]["supply"]["ceilings"] == {"voltage": "26 V", "current": "1.5 A"}
    assert written["prompts"]["resource"] == address(server, "prompts")
    assert "simulation" not in written
    assert load_bench(tmp_path / "live.yaml").probe(1).attenuation == 10


def test_a_bench_file_that_cannot_be_written(server: BenchServer, tmp_path: Path) -> None:
    with pytest.raises(StorageFault, match="cannot be written"):
        server.write_bench(tmp_path / "absent" / "live.yaml")


def test_an_instrument_that_nobody_simulates_is_told(server: BenchServer, tmp_path: Path) -> None:
    text = server.bench.read_text(encoding="utf-8").replace("meter.example", "elsewhere.example")
    server.bench = tmp_path / "bench.yaml"
    server.bench.write_text(text, encoding="utf-8")
    with pytest.raises(FileFault, match=r"has the address `TCPIP0::elsewhere\.example::inst0::INSTR`") as caught:
        server.write_bench(tmp_path / "live.yaml")
    assert "TCPIP0::meter.example::inst0::INSTR" in str(caught.value)
    assert not list(tmp_path.glob("*live*")), "neither the file nor half of it"


def test_listens_on_the_loopback_interface_alone(server: BenchServer) -> None:
    assert {each.split("::")[1] for each in server.addresses.values()} == {"127.0.0.1"}


def test_nothing_listens_any_more_afterwards() -> None:
    with BenchServer(SIM / "bench.yaml") as server:
        host, port = address(server, "digitizer").split("::")[1:3]
        held = socket.create_connection((host, int(port)), timeout=5)
        held.sendall(b"*OPC?\n")
        assert held.recv(10) == b"1\n"
    with held, contextlib.suppress(ConnectionResetError):
        assert held.recv(1) == b"", "the line is closed"
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((host, int(port)), timeout=5)


@pytest.mark.filterwarnings("error")
def test_stops_quietly_with_clients_in_every_state(server: BenchServer, caplog: pytest.LogCaptureFixture) -> None:
    port = int(address(server, "digitizer").replace(",", "::").split("::")[-2])
    asking, waiting, silent = client(server), client(server), socket.create_connection(("127.0.0.1", port), timeout=5)
    assert asking.query("*OPC?") == "1"
    for message in ("TRIGger:SOURce BUS", "INITiate", "*OPC?"):
        waiting.write(message)
    with silent, contextlib.suppress(ConnectionResetError):
        server.__exit__(None, None, None)
        assert silent.recv(1) == b"", "the line is closed"
    for each in (asking, waiting):
        each.close()
    assert [record.getMessage() for record in caplog.records if record.name.startswith("asyncio")] == []


def test_an_address_that_is_not_ours() -> None:
    with (
        pytest.raises(BenchFault, match=r"cannot listen on 192\.0\.2\.1"),
        BenchServer(SIM / "bench.yaml", host="192.0.2.1"),
    ):
        pass


def test_only_a_simulated_bench_can_be_served(tmp_path: Path) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text('wavewright-bench: 1\nlibrary: "@py"\ninstruments: {}\n', encoding="utf-8")
    with pytest.raises(FileFault, match="a simulated one"):
        BenchServer(bench)


@pytest.mark.parametrize(
    "host, reach", [("127.0.0.1", "this machine only"), ("0.0.0.0", "everybody who reaches this address")]
)
def test_it_is_said_who_can_reach_the_bench(host: str, reach: str, tmp_path: Path) -> None:
    said: list[str] = []

    def say(line: str) -> None:
        said.append(line)
        if line.startswith("bench file: "):  # the last line: it listens, and its bench file can be used
            with open_bench(load_bench(tmp_path / "live.yaml"), ["supply"]) as bench:
                said.append(bench.identities["supply"])
            signal.raise_signal(signal.SIGTERM)  # on Windows `kill` would end the process

    before = signal.getsignal(signal.SIGTERM)
    serve(SIM / "bench.yaml", host=host, write_bench=tmp_path / "live.yaml", say=say)
    assert said[0] == f"listening on {host}, for {reach}"
    assert any(line.startswith("Wavewright,Simulated supply") for line in said)
    assert said[-1] == "stopped by SIGTERM"
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.posix("signals between processes; .ci/windows sends console events")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_serve_stops_on_a_signal(tmp_path: Path, number: signal.Signals) -> None:
    live = tmp_path / "live.yaml"
    program = (
        "import sys; from wavewright.simulation.server.serving import serve;"
        f"serve({str(SIM / 'bench.yaml')!r}, write_bench={str(live)!r}, say=lambda line: print(line, flush=True))"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line)
            if line.startswith("bench file:"):
                break
        assert live.exists()
        assert "for this machine only" in said[0]
        os.kill(process.pid, number)
        assert process.wait(timeout=20) == 0
