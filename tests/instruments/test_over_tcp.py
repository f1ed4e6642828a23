"""The bench over the loopback interface, by raw sockets and by HiSLIP: the same as in the library, faults and all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import NoTrigger, WavewrightError
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.setups import DigitizerSetup, InputSetup, SupplySetup, TimebaseSetup, TriggerSetup
from wavewright.simulation.server.serving import BenchServer

SIM = Path(__file__).parents[2] / "sim"
ON = SupplySetup(voltage=24.0, current_limit=1.0, output=True)
EVERY = 50  # shots from fault to fault
# half a block ends the wait after the usual patience, so that 20 of them do not take a minute
QUICK = "wavewright-profile: 1\nname: quick\nextends: scpi-digitizer\nquirks: {timeout: 200 ms}\n"


def setup(mode: str, level: float = 1.65, points: int = 5000, timeout: float = 5.0) -> DigitizerSetup:
    return DigitizerSetup(
        {"rail": InputSetup(1, 80.0, 20.0, attenuation=10)},
        TimebaseSetup(points, 1e-6),
        TriggerSetup(mode, "rail", level=level, timeout=timeout),  # type: ignore[arg-type]
    )


@contextmanager
def served(folder: Path, *, hislip: bool, faults: str = "") -> Iterator[tuple[Bench, BenchServer]]:
    """The simulated bench over sockets, opened by PyVISA-py."""
    text = (
        (SIM / "bench.yaml")
        .read_text(encoding="utf-8")
        .replace('"instruments.yaml', f'"{SIM.as_posix()}/instruments.yaml')
    )
    ordered = ""
    if faults:
        (folder / "faults.yaml").write_text(f"wavewright-faults: 1\nfaults: {faults}\n", encoding="utf-8")
        ordered = f"faults: {folder.as_posix()}/faults.yaml, "
    text = text.replace("{board: vc204.yaml", f"{{{ordered}board: {SIM.as_posix()}/vc204.yaml")
    (folder / "bench.yaml").write_text(text.replace("profile: scpi-digitizer", "profile: quick.yaml"), encoding="utf-8")
    (folder / "quick.yaml").write_text(QUICK, encoding="utf-8")
    with BenchServer(folder / "bench.yaml", hislip=hislip) as server:
        server.write_bench(folder / "live.yaml")
        with open_bench(load_bench(folder / "live.yaml"), ["digitizer", "supply"]) as bench:
            yield bench, server


def outputs_on(server: BenchServer) -> list[str]:
    return [
        name for name, device in server.library.instruments.items()
        if "supply" in name and bool(device.instrument.settings["output"])
    ]  # fmt: skip


@pytest.mark.parametrize("hislip", [False, True], ids=["raw socket", "HiSLIP"])
def test_brings_the_same_codes_as_in_the_library(tmp_path: Path, hislip: bool) -> None:
    def codes(bench: Bench) -> bytes:
        bench.digitizer.reset()
        bench.supply.reset()
        bench.supply.apply_setup(ON)
        bench.digitizer.configure(setup("auto"))
        return bench.digitizer.acquire()["rail"].codes.tobytes()

    with open_bench(load_bench(SIM / "bench.yaml"), ["digitizer", "supply"]) as library:
        expected = codes(library)
    with served(tmp_path, hislip=hislip) as (bench, _):
        assert codes(bench) == expected


@pytest.mark.parametrize("hislip", [False, True], ids=["raw socket", "HiSLIP"])
def test_a_trigger_that_never_comes_leaves_the_link_in_step(tmp_path: Path, hislip: bool) -> None:
    with served(tmp_path, hislip=hislip) as (bench, _):
        bench.reset()
        bench.supply.apply_setup(ON)
        bench.digitizer.configure(setup("normal", level=30.0, timeout=0.3))
        with pytest.raises(NoTrigger):
            bench.digitizer.acquire()
        bench.digitizer.configure(setup("auto"))
        assert np.median(bench.digitizer.acquire()["rail"].values()) == pytest.approx(3.3, abs=0.5)


@pytest.mark.slow
@pytest.mark.parametrize(
    "hislip, fault, shots",
    [(False, "drop the link", 1000), (False, "short block", 100), (True, "drop the link", 100)],
    ids=["dropped links by raw socket", "short blocks by raw socket", "dropped links by HiSLIP"],
)
def test_of_a_thousand_shots_every_one_is_accounted_for(tmp_path: Path, hislip: bool, fault: str, shots: int) -> None:
    faults = rf"{{it: {{instrument: digitizer, at: 'DATA\?', every: {EVERY}, bytes: 50, fault: {fault}}}}}"
    outcomes: Counter[str] = Counter()
    with served(tmp_path, hislip=hislip, faults=faults) as (bench, server):
        bench.reset()
        bench.supply.apply_setup(ON)
        bench.digitizer.configure(replace(setup("auto", points=200), trigger=TriggerSetup()))  # triggers at once
        for _ in range(shots):
            try:
                outcomes[f"{len(bench.digitizer.acquire()['rail'])} samples"] += 1
            except WavewrightError:
                outcomes["fault"] += 1
        bench.safe_state()
        assert outputs_on(server) == []
    assert outcomes == {"200 samples": shots - shots // EVERY, "fault": shots // EVERY}
