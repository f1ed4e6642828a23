"""Every other command on strangers that are dead, late, half-dead or endless: it ends, says who, outputs are off."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from tests.instruments.strangers import faults as kinds
from tests.instruments.strangers.faults import Fault
from tests.instruments.strangers.sockets import strangers
from tests.instruments.strangers.watching import ROOM, watched

Command = Callable[..., Spoken]
SIM = Path(__file__).parents[3] / "sim"
LANGUAGES = pytest.mark.parametrize("language", ["scpi", "tarn"])


@LANGUAGES
@pytest.mark.parametrize("effect", [kinds.silent, kinds.late, kinds.endless, kinds.half, kinds.deaf, kinds.gone])
def test_identify_ends_and_lists_the_others(
    tmp_path: Path, wavewright: Command, language: str, effect: kinds.Effect
) -> None:
    with strangers(tmp_path, language, faults={"digitizer": Fault(effect)}) as bench, watched():
        said = wavewright("bench", "identify", "--bench", bench.file, "--json")
    assert said.status == 3
    assert said.json["supply"]["identity"] == "Stranger,supply,0,1"
    assert said.json["source"]["identity"] == "Stranger,source,0,1"
    assert "(digitizer)" in said.json["digitizer"]["fault"]
    assert "VI_ERROR" not in said.stdout


def test_scan_says_by_its_status_whether_anybody_answered(tmp_path: Path, wavewright: Command) -> None:
    silent = {name: Fault(kinds.silent) for name in ("digitizer", "supply")}
    with strangers(tmp_path, "scpi", faults=silent) as bench, watched():
        dead = [bench.by_name[name].address for name in silent]
        nobody = wavewright("bench", "scan", *dead)
        somebody = wavewright("bench", "scan", *dead, bench.by_name["source"].address)
    assert (nobody.status, somebody.status) == (3, 0)
    assert nobody.stdout.count("no answer to") == 2
    assert "Stranger,source" in somebody.stdout


@pytest.mark.parametrize("effect", [kinds.endless, kinds.endless_lines, kinds.deaf, kinds.dripping, kinds.hangs_up])
def test_scan_ends_whatever_is_at_the_address(tmp_path: Path, wavewright: Command, effect: kinds.Effect) -> None:
    with strangers(tmp_path, "scpi", faults={"digitizer": Fault(effect)}) as bench, watched():
        said = wavewright("bench", "scan", bench.by_name["digitizer"].address, bench.by_name["supply"].address)
    assert "Stranger,supply" in said.stdout


EXERCISED = {
    "dead at once": Fault(kinds.silent),
    "dead after a while": Fault(kinds.dead, "query", nth=30),
    "nothing but its identity": Fault(kinds.silent, "query", nth=2),
    "late": Fault(kinds.late, "query", nth=12),
    "gone": Fault(kinds.gone, "query", nth=12),
    "endless": Fault(kinds.endless, "query", nth=12),
}


@LANGUAGES
@pytest.mark.parametrize("role", ["digitizer", "supply"])
@pytest.mark.parametrize("name", EXERCISED)
def test_exercise_ends_with_one_error_and_outputs_off(
    tmp_path: Path, wavewright: Command, language: str, role: str, name: str
) -> None:
    ordered = EXERCISED[name]
    fault = Fault(ordered.effect, ordered.at, ordered.nth)
    with strangers(tmp_path, language, faults={role: fault}) as bench, watched():
        begin = time.monotonic()
        said = wavewright("profile", "exercise", tmp_path / f"{role}.yaml", "--bench", bench.file)
        lasted = time.monotonic() - begin
        assert fault.struck
        assert said.status == 3, said.stdout
        assert f"({role})" in said.stderr
        assert bench.outputs_on == []
        assert lasted < 6.0 + ROOM


@LANGUAGES
def test_a_batch_on_a_dead_digitizer_ends_with_outputs_off(
    tmp_path: Path, recipe: Path, wavewright: Command, language: str
) -> None:
    (tmp_path / "serials.txt").write_text("A1\nA2\nA3\n", encoding="utf-8")
    fault = Fault(kinds.dead, "record", nth=2)  # while the first unit is on
    with strangers(tmp_path, language, faults={"digitizer": fault}) as bench, watched():
        said = wavewright(
            "run", recipe, "--bench", bench.file, "--yes", "--out", tmp_path / "outcomes",
            "--serials", tmp_path / "serials.txt", "--logbook", tmp_path / "book.sqlite",
        )  # fmt: skip
        assert fault.struck
        assert bench.by_name["supply"].device.was_on
        assert said.status == 3
        assert bench.outputs_on == []


@LANGUAGES
def test_a_run_that_takes_longer_than_it_may_ends_with_outputs_off(
    tmp_path: Path, recipe: Path, wavewright: Command, language: str
) -> None:
    patient = recipe.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 3600 s")
    recipe.write_text(patient, encoding="utf-8")
    fault = Fault(kinds.never_finished, "finished")
    with strangers(tmp_path, language, faults={"digitizer": fault}) as bench, watched():
        said = wavewright(
            "run", recipe, "--bench", bench.file, "--yes", "--no-logbook", "--json",
            "--out", tmp_path / "outcomes", "--time-limit", "1.5 s",
        )  # fmt: skip
        assert fault.struck
        assert bench.by_name["supply"].device.was_on
        assert bench.outputs_on == []
    assert said.status == 3
    assert "the run has not ended within 1.5 s" in said.json["error"]


def test_a_wait_of_the_recipe_ends_with_the_time_of_the_run(tmp_path: Path, recipe: Path, wavewright: Command) -> None:
    text = recipe.read_text(encoding="utf-8")
    text = text.replace("output: on}}", "output: on}, then_wait: 3600 s}").replace(
        "title:", "time_limit: 1.5 s\ntitle:"
    )
    recipe.write_text(text, encoding="utf-8")
    with strangers(tmp_path, "scpi") as bench, watched():
        said = wavewright(
            "run", recipe, "--bench", bench.file, "--yes", "--no-logbook", "--json", "--out", tmp_path / "outcomes"
        )
        assert bench.by_name["supply"].device.was_on
        assert bench.outputs_on == []
    assert said.status == 3
    assert "time_limit" in said.json["error"]


@pytest.mark.posix("signals between processes; .ci/windows sends console events")
@pytest.mark.parametrize("options", [(), ("--hislip",)], ids=["raw socket", "HiSLIP"])
def test_simulate_ends_whoever_is_connected(tmp_path: Path, options: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "wavewright", "simulate", str(SIM / "bench.yaml"), "--write-bench", "live.yaml"]
    process = subprocess.Popen([*command, *options], cwd=tmp_path, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stderr is not None
        told = []
        for line in process.stderr:
            told.append(line)
            if line.startswith("bench file: "):
                break
        address = next(line for line in told if "::digitizer" in line).split("  is  ")[0]
        port = int(address.split("::")[2].removeprefix("hislip0,"))
        clients = [socket.create_connection(("127.0.0.1", port)) for _ in range(3)]
        clients[1].sendall(b"SENSe:SWE")  # half a message
        clients[2].settimeout(0.5)
        with suppress(OSError):  # asks without an end and reads nothing
            clients[2].sendall(b'SENSe:DATA? "XTIMe:VOLTage 1"\n' * 100_000)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=2.0 + ROOM) == 0
        for client in clients:
            client.close()
    finally:
        process.kill()
        process.wait()
