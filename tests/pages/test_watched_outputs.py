"""Outputs under a watch: instruments behind real sockets, asked afterwards themselves, whatever ends the watch."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.pages.command_watched import ROOT, Page, Watch, until, watching
from wavewright.simulation.server.serving import BenchServer

pytestmark = pytest.mark.posix("signals end the processes")

RECIPE = """\
wavewright: 1
title: The rail, powered
cautions:
  - The board is powered with 24 V from the supply. Keep hands and tools off it.
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3.3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 1 ms}]
    compute: {mean: {of: rail, limit: 3.3 V ± 5 %}}
  waiting:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: normal, level: 5.5 V, timeout: 1000 s}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}, then_wait: 1 ms}]
  quiet:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, level: 3.3 V}
"""


STEPS = ["supply: voltage 24 V, current limit 1 A, output on; then wait 1 ms"]


class ServedBench:
    """A simulated bench behind sockets, with a recipe and a bench file that points at it."""

    def __init__(self, server: BenchServer, folder: Path) -> None:
        self.server, self.folder, self.recipe, self.bench = server, folder, folder / "rail.yaml", folder / "live.yaml"
        self.recipe.write_text(RECIPE)
        server.write_bench(self.bench)

    @property
    def is_on(self) -> bool:
        """What the supply itself says."""
        return bool(self.supply.settings["output"])

    @property
    def supply(self) -> Any:
        return next(device.instrument for name, device in self.server.library.instruments.items() if "supply" in name)

    def watch(self) -> Any:
        return watching(self.recipe, "--bench", self.bench, folder=self.folder)

    def power(self, page: Page) -> None:
        """Confirm, and see that it goes on."""
        page.until_state("waiting", asked=True, confirmed=False, steps=STEPS)
        assert not self.is_on, "nobody has confirmed"
        page.ask("outputs", confirm=True)
        page.until_state("running", on=True)
        until(lambda: self.is_on)
        page.until_kind("shot")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedBench]:
    shutil.copy(ROOT / "sim/bench.yaml", tmp_path / "bench.yaml")
    with BenchServer(ROOT / "sim/bench.yaml", seed=1) as server:
        yield ServedBench(server, tmp_path)


def close_the_socket(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.socket.close()


def cut_the_connection(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.socket.socket.shutdown(socket.SHUT_RDWR)


def say_nothing_more(watch: Watch, page: Page, bench: ServedBench) -> None:
    """For as long as it takes: whoever waits for the output reads nothing and sends nothing."""


def say_off(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.ask("outputs", confirm=False)


def give_the_hand_back(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.ask("hand", take=False)


def show_another_measurement(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.ask("measurement", label="quiet")


def show_one_with_the_same_steps(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.ask("measurement", label="waiting")


def move_the_probe(watch: Watch, page: Page, bench: ServedBench) -> None:
    bench.recipe.write_text(RECIPE.replace("    channels", "    place: Probe 1 on TP4.\n    channels", 1))


def nudge_the_voltage(watch: Watch, page: Page, bench: ServedBench) -> None:
    page.ask("nudge", id="measurements.rail.stimulus.0.supply.voltage", steps=-1)


def break_the_file(watch: Watch, page: Page, bench: ServedBench) -> None:
    bench.recipe.write_text(RECIPE.replace("span: 200 us", "span: 200 metres"))


def delete_the_file(watch: Watch, page: Page, bench: ServedBench) -> None:
    bench.recipe.unlink()


def interrupt(watch: Watch, page: Page, bench: ServedBench) -> None:
    watch.process.send_signal(signal.SIGINT)


def terminate(watch: Watch, page: Page, bench: ServedBench) -> None:
    watch.process.send_signal(signal.SIGTERM)


STAYING = (
    say_off, nudge_the_voltage, show_another_measurement, break_the_file, delete_the_file, give_the_hand_back,
    show_one_with_the_same_steps, move_the_probe, close_the_socket, cut_the_connection, say_nothing_more,
)  # fmt: skip


def test_outputs_go_off_whatever_ends_the_consent(served: ServedBench) -> None:
    with served.watch() as watch:
        for end in STAYING:
            # given an output that a page has confirmed
            served.recipe.write_text(RECIPE)
            with watch.page() as page:
                page.ask("hand", take=True)
                page.until(lambda one: one["kind"] == "recipe" and one["text"] == RECIPE)
                page.ask("measurement", label="rail")
                served.power(page)
                # when
                end(watch, page, served)
                # then the supply itself says that it is off, and nothing switches it on again
                until(lambda: not served.is_on)
        status, said = watch.end()
        assert status == 0, said
        assert not served.is_on


@pytest.mark.parametrize("end", [interrupt, terminate])
def test_outputs_are_off_when_the_program_has_ended(served: ServedBench, end: Any) -> None:
    with served.watch() as watch, watch.page() as page:
        served.power(page)
        end(watch, page, served)
        _, said = watch.process.communicate(timeout=30)
        assert not served.is_on
        assert watch.process.returncode == 0, said
        assert "Traceback" not in said


def test_a_wait_for_the_trigger_does_not_keep_an_output_on(served: ServedBench) -> None:
    # given a shot that waits 1000 s for a trigger, with the output on
    with served.watch() as watch, watch.page() as page:
        page.until_state("waiting", asked=True)
        page.ask("measurement", label="waiting")
        page.until(lambda one: one["kind"] == "state" and one["measurement"] == "waiting")
        page.ask("outputs", confirm=True)
        until(lambda: served.is_on)
        # when the connection is closed
        page.socket.close()
        # then it does not wait for the trigger
        until(lambda: not served.is_on)


def test_a_bench_that_is_watched_is_in_use(served: ServedBench) -> None:
    with served.watch() as first, first.page() as page:
        page.until_kind("state")
        arguments = [served.recipe, "--bench", served.bench, "--no-open"]
        command = [sys.executable, "-m", "wavewright", "watch", *map(str, arguments)]
        second = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
        assert second.returncode == 3
        assert f"in use by process {first.process.pid}" in second.stderr
        assert "watch of rail.yaml" in second.stderr


BROWSER = """
import sys, json, time
from websockets.sync.client import connect
with connect(sys.argv[1], origin=sys.argv[2], max_size=None) as socket:
    while True:
        try:
            message = socket.recv(timeout=0.5)
        except TimeoutError:
            message = b""
        if isinstance(message, str) and json.loads(message)["kind"] == "state":
            socket.send('{"do": "alive"}')
            state = json.loads(message)
            if state["outputs"]["asked"] and not state["outputs"]["confirmed"]:
                socket.send('{"do": "outputs", "confirm": true}')
"""


def test_outputs_go_off_when_the_browser_is_killed(served: ServedBench) -> None:
    with served.watch() as watch:
        command = [sys.executable, "-c", BROWSER, f"ws{watch.address[4:]}live", watch.origin]
        with subprocess.Popen(command) as browser:
            until(lambda: served.is_on)
            browser.kill()
        until(lambda: not served.is_on)


class Relay:
    """Passes one instrument's bytes on, until it is cut."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._ends: list[socket.socket] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self) -> None:
        for one in (self._listening, *self._ends):
            try:
                one.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue

    def _serve(self) -> None:
        try:
            while True:
                near, _ = self._listening.accept()
                far = socket.create_connection(("127.0.0.1", self._to))
                self._ends += [near, far]
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(one, other), daemon=True).start()
        except OSError:
            return

    @staticmethod
    def _pass_on(one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65536):
                other.sendall(data)
        except OSError:
            return
        finally:
            other.close()


def through_relay(bench: ServedBench, name: str) -> Relay:
    """The bench file with the address of one instrument led over a relay."""
    document = yaml.safe_load(bench.bench.read_text())
    entry = document["instruments"][name]
    _, host, port, kind = entry["resource"].split("::")
    relay = Relay(int(port))
    entry["resource"] = f"TCPIP0::{host}::{relay.port}::{kind}"
    bench.bench.write_text(yaml.safe_dump(document))
    return relay


def test_outputs_go_off_when_the_digitizer_is_gone(served: ServedBench) -> None:
    relay = through_relay(served, "digitizer")
    with served.watch() as watch, watch.page() as page:
        served.power(page)
        relay.cut()
        fault = page.until(lambda one: one["kind"] == "said" and one["level"] == "fault")
        until(lambda: not served.is_on)
        assert "digitizer" in fault["text"]
        assert watch.process.poll() is None, "the watch goes on: the cable may be put back"


def test_a_supply_that_is_gone_is_a_thing_to_look_at_by_hand(served: ServedBench) -> None:
    relay = through_relay(served, "supply")
    with served.watch() as watch, watch.page() as page:
        served.power(page)
        relay.cut()
        page.ask("outputs", confirm=False)
        said = page.until(lambda one: one["kind"] == "said" and one["level"] == "fault")
        assert "switch it off by hand" in said["text"]
        _, stderr = watch.process.communicate(timeout=30)
    assert watch.process.returncode == 3
    assert "switch it off by hand" in stderr
    assert "Traceback" not in stderr
