"""The fault files that are shipped, and every kind of fault, in runs over the library, a raw socket and HiSLIP: every
shot is a right capture or one error of ours, the next one works, and at the end the devices say that they are off."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.instruments.every_wire import SIM, WIRES, on_a_wire
from wavewright.errors import OutputMayBeOn, WavewrightError
from wavewright.instruments.bench import Bench
from wavewright.instruments.setups import DigitizerSetup, InputSetup, SupplySetup, TimebaseSetup, TriggerSetup
from wavewright.simulation.disturbances.effects import fault_kinds

SHOTS = 6
# an error whenever the output goes on; an answer in ten later than the patience here, and a shot asks for thirty
HOPELESS = {"error_burst", "late_answers"}
RAIL = 3.3  # V, the board's nominal rail
ON = SupplySetup(voltage=24.0, current_limit=1.0, output=True)
# triggers at once: silence over sockets takes real time; 30 000 samples, for one file breaks the link after 20 kB
SETUP = DigitizerSetup(
    {"rail": InputSetup(1, 80.0, 20.0, attenuation=10)}, TimebaseSetup(30_000, 1e-7), TriggerSetup(timeout=0.5)
)


def shot(bench: Bench) -> str:
    """One shot from nothing; what came of it, and that a capture is one of the rail."""
    try:
        bench.supply.reset()
        bench.supply.apply_setup(ON)
        bench.digitizer.reset()
        bench.digitizer.configure(SETUP)
        wave = bench.digitizer.acquire()["rail"]
    except WavewrightError as fault:
        return type(fault).__name__
    assert len(wave) == SETUP.timebase.points
    assert float(np.median(wave.values())) == pytest.approx(RAIL, abs=0.5)
    return "capture"


@pytest.mark.slow
@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize("file", sorted((SIM / "faults").glob("*.yaml")), ids=lambda path: path.stem)
def test_a_shipped_fault_file_leaves_captures_or_errors_and_outputs_off(tmp_path: Path, wire: str, file: Path) -> None:
    outcomes: Counter[str] = Counter()
    with on_a_wire(tmp_path, wire, faults=str(file)) as served:
        with served.bench("digitizer", "supply") as bench:
            for _ in range(SHOTS):
                outcomes[shot(bench)] += 1
        assert served.outputs_on() == []
    assert outcomes.total() == SHOTS
    assert outcomes["capture"] >= (0 if file.stem in HOPELESS else 1), outcomes


# at an instrument, what goes wrong and when; the library has its own tests of these
KINDS = {
    "drop the link": "at: 'DATA|MEAS|OUTP', bytes: 3, every: 3",
    "delay": "at: '\\?', by: 400 ms, every: 25",
    "garble": "at: 'DATA|VOLT|OUTP', bytes: 2, every: 5",
    "short block": "at: 'DATA|OUTP', bytes: 10, every: 2",
    "wrong count": "at: 'DATA', bytes: 1, every: 2",
    "garbage first": "at: '\\?', every: 11",
    "another answer": "at: '\\?', every: 13, text: '9.91E+37'",
    "old answer": "at: '\\?', every: 12",
    "errors": "at: '.', every: 23, count: 30",
    "stuck busy": "at: '^INIT', every: 2",
    "reset": "at: '.', every: 47",
    "noisy trigger": "at: '^INIT', every: 2, within: 1 ms",
    "slow to arm": "at: '^INIT', every: 2, by: 300 ms",
}
ONLY_DIGITIZERS = {"wrong count", "stuck busy", "noisy trigger", "slow to arm"}


def test_every_kind_of_fault_is_tried_here() -> None:
    assert set(KINDS) == set(fault_kinds())


@pytest.mark.slow
@pytest.mark.parametrize("wire", WIRES[1:])
@pytest.mark.parametrize(
    "kind, instrument",
    [(kind, "digitizer") for kind in KINDS] + [(kind, "supply") for kind in sorted(set(KINDS) - ONLY_DIGITIZERS)],
)
def test_a_fault_over_a_socket_never_leaves_an_output_on_unsaid(
    tmp_path: Path, wire: str, instrument: str, kind: str
) -> None:
    faults = f"{{it: {{instrument: {instrument}, fault: {kind}, {KINDS[kind]}}}}}"
    outcomes: Counter[str] = Counter()
    was_told = False
    with on_a_wire(tmp_path, wire, faults=faults) as served:
        try:
            with served.bench("digitizer", "supply") as bench:
                for _ in range(3):
                    outcomes[shot(bench)] += 1
        except OutputMayBeOn:
            was_told = True
        assert was_told or served.outputs_on() == []
    assert outcomes.total() == 3
    assert "Misuse" not in outcomes
