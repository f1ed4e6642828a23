"""Every fault that can be ordered, at every instrument: no capture that is wrong, no exception of somebody else's, and
at the end every output off, or somebody told to look. The simulated devices themselves are asked whether it is off."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wavewright.errors import OutputMayBeOn, WavewrightError
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.setups import DigitizerSetup, InputSetup, SupplySetup, TimebaseSetup, TriggerSetup

SIM = Path(__file__).parents[2] / "sim"
SHOTS = 12
RAIL = 3.3  # V, the board's nominal rail
ON = SupplySetup(voltage=24.0, current_limit=1.0, output=True)
SETUP = DigitizerSetup(
    {"rail": InputSetup(1, 80.0, 20.0, attenuation=10)},
    TimebaseSetup(2000, 1e-6),
    TriggerSetup("auto", "rail", level=1.0),
)

FAULTS = {
    "drop the link": ["bytes: 3", "every: 9"],
    "delay": ["by: 3 s", "every: 7"],
    "garble": ["bytes: 2", "every: 5"],
    "short block": ["bytes: 10", "every: 6"],
    "wrong count": ["bytes: 1", "every: 4"],
    "garbage first": ["every: 8"],
    "another answer": ['text: "9.91E+37"', "every: 6"],
    "old answer": ["every: 5"],
    "errors": ["count: 30", "every: 11"],
    "stuck busy": ["after: 30", "times: 1"],
    "reset": ["after: 40", "times: 1"],
}


def outputs_on(library: Any) -> list[str]:
    """The devices whose output really is on."""
    return [
        name
        for name, device in library.instruments.items()
        if any(role in name for role in ("supply", "source")) and bool(device.instrument.settings["output"])
    ]


def with_fault(tmp_path: Path, instrument: str, kind: str) -> BenchFile:
    path = tmp_path / "faults.yaml"
    at = "^INIT" if kind == "stuck busy" else "."
    options = ", ".join([f"at: '{at}'", *FAULTS[kind]])
    path.write_text(
        f"wavewright-faults: 1\nfaults:\n  it: {{instrument: {instrument}, fault: {kind}, {options}}}\n",
        encoding="utf-8",
    )
    file = load_bench(SIM / "bench.yaml")
    settings = {**file.grammar.simulation, "faults": str(path)}
    return replace(file, grammar=file.grammar.model_copy(update={"simulation": settings}))


def shots(bench: Bench) -> Iterator[str]:
    """What came of each shot: a word for a capture, the class for an error of ours; others are defects."""
    for _ in range(SHOTS):
        try:
            bench.supply.apply_setup(ON)
            bench.digitizer.reset()
            bench.digitizer.configure(SETUP)
            wave = bench.digitizer.acquire()["rail"]
        except WavewrightError as fault:
            yield type(fault).__name__
            continue
        yield "capture"
        assert len(wave) == SETUP.timebase.points
        # a record that came through is that of the rail, but for codes that the line garbled
        assert float(np.median(wave.values())) == pytest.approx(RAIL, abs=0.5)


@pytest.mark.parametrize("instrument", ["digitizer", "supply"])
@pytest.mark.parametrize("kind", FAULTS)
def test_outputs_are_off_or_a_person_is_told(tmp_path: Path, libraries: list[Any], instrument: str, kind: str) -> None:
    file = with_fault(tmp_path, instrument, kind)
    outcomes: Counter[str] = Counter()
    was_told = False
    try:
        with open_bench(file, ["digitizer", "supply", "source"]) as bench:
            bench.reset()
            outcomes.update(shots(bench))
    except OutputMayBeOn:
        was_told = True
    except WavewrightError as fault:
        outcomes[type(fault).__name__] += 1
    assert was_told or outputs_on(libraries[0]) == []
    assert outcomes.total() == SHOTS or was_told or set(outcomes) - {"capture"}


def test_ceilings_hold_under_every_fault(tmp_path: Path, libraries: list[Any]) -> None:
    for kind in FAULTS:
        file = with_fault(tmp_path, "supply", kind)
        try:
            with open_bench(file, ["supply"]) as bench:
                bench.reset()
                bench.supply.apply_setup(SupplySetup(voltage=30.0, current_limit=1.0, output=True))
        except WavewrightError:
            pass
        supply = next(device for name, device in libraries[-1].instruments.items() if "supply" in name)
        assert supply.instrument.settings.number("voltage") <= 26.0
        assert outputs_on(libraries[-1]) == []
