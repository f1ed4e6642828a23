"""Whole runs under every fault that can be ordered, at the supply, at the source and as the shipped fault files have
it: outputs off at the end, or a person told to look; and never anything above a ceiling at the board's terminals.

The board itself is asked: what the bench fed it with, from when on, is in its surroundings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wavewright.errors import BenchFault, OutputMayBeOn, WavewrightError
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.setups import SourceSetup, SupplySetup
from wavewright.recipe.load import parse_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.run import run
from wavewright.simulation.disturbances.effects import fault_kinds
from wavewright.simulation.disturbances.plan import DisturbancePlan
from wavewright.waveform import Waveform

SIM = Path(__file__).parents[2] / "sim"
SHIPPED = sorted((SIM / "faults").glob("*.yaml"))
CEILINGS = {"supply": {"voltage": 26.0, "current": 1.5}, "source": {"voltage": 5.0}}

# For a supply and for a source: often enough to strike in every run, rarely enough to let something through.
KINDS = {
    "drop the link": "bytes: 1, at: '\\?', every: 9",
    "delay": "by: 3 s, at: '\\?', every: 7",
    "garble": "bytes: 2, at: '\\?', every: 5",
    "short block": "bytes: 10, at: '\\?', every: 6",
    "wrong count": "bytes: 1, at: '\\?', every: 4",
    "garbage first": "at: '\\?', every: 8",
    "another answer": "text: '9.91E+37', at: '\\?', every: 6",
    "old answer": "at: '\\?', every: 5",
    "errors": "count: 30, at: '.', every: 11",
    "stuck busy": "at: 'OUTP', every: 4",
    "reset": "at: '.', every: 10",
    "noisy trigger": "within: 1 ms, at: 'OUTP', every: 2",
    "slow to arm": "by: 300 ms, at: 'OUTP', every: 2",
}
RECIPE = """
wavewright: 1
title: Both outputs are used
measurements:
  started:
    channels: {drive: {input: 3, range: 40 V, offset: 12 V}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: normal, edge: rising, level: 12 V, timeout: 1 s}
    shots: 5
    stimulus:
      - {supply: {output: off}, then_wait: 50 ms}
      - supply: {voltage: 24 V, current_limit: 1 A, voltage_protection: 25 V, output: on}
        then_wait: 50 ms
      - {source: {function: pulse, frequency: 5 kHz, high: 3.3 V, low: 0 V, burst: {cycles: 4}}}
    compute: {top: {metric: maximum, limit: at least 20 V}}
    supply: {drawn: {quantity: current, limit: 100 mA .. 200 mA}}
  stepped:
    channels: {drive: {input: 3, range: 40 V, offset: 12 V}}
    timebase: {span: 2 ms, points: 2k}
    trigger: {mode: auto, level: 10 V}
    stimulus:
      - {supply: {voltage: 12 V, current_limit: 500 mA, output: on}, then_wait: 20 ms}
      - {supply: {voltage: 20 V}, then_wait: 20 ms}
      - {source: {function: ramp, symmetry: 30 %, frequency: 2 kHz, amplitude: 4 V, offset: 2 V}}
      - {source: {offset: 2.5 V}}
    compute: {top: {metric: maximum}}
"""


@pytest.fixture
def strikes(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The messages that a fault struck at: a test in which none did proves nothing."""
    struck: list[bytes] = []
    plain = DisturbancePlan.on_message

    def counted(plan: DisturbancePlan, message: bytes, device: Any) -> None:
        plain(plan, message, device)
        if plan._striking:
            struck.append(message)

    monkeypatch.setattr(DisturbancePlan, "on_message", counted)
    return struck


def bench_with(faults: Path) -> BenchFile:
    """The simulated bench with ceilings on both outputs, and these faults."""
    file = load_bench(SIM / "bench.yaml")
    instruments = {
        name: one.model_copy(update={"ceilings": CEILINGS[name]}) if name in CEILINGS else one
        for name, one in file.grammar.instruments.items()
    }
    simulation = {**file.grammar.simulation, "faults": str(faults)}
    return replace(file, grammar=file.grammar.model_copy(update={"instruments": instruments, "simulation": simulation}))


@pytest.fixture
def ordered(tmp_path: Path) -> Callable[[str, str], BenchFile]:
    def order(instrument: str, kind: str) -> BenchFile:
        path = tmp_path / "faults.yaml"
        text = f"wavewright-faults: 1\nfaults:\n  it: {{instrument: {instrument}, fault: {kind}, {KINDS[kind]}}}\n"
        path.write_text(text, encoding="utf-8")
        return bench_with(path)

    return order


def outputs_on(library: Any) -> list[str]:
    return [
        name
        for name, device in library.instruments.items()
        if any(role in name for role in CEILINGS) and bool(device.instrument.settings["output"])
    ]


def check_ceilings(library: Any) -> None:
    """Nothing that the board was ever given lies above a ceiling."""
    surroundings = library.bench.surroundings
    for _, feed in surroundings.feed.since(-np.inf):
        assert not feed.is_on or feed.voltage <= 26.0 + 1e-9
        assert not feed.is_on or feed.current_limit <= 1.5 + 1e-9
    for _, signal in surroundings.signal.since(-np.inf):
        assert not signal.is_on or max(abs(signal.low), abs(signal.high)) <= 5.0 + 1e-9


def outcome_of(file: BenchFile) -> tuple[Outcome | None, str]:
    """What came of a run, and what a person was told to look at."""
    try:
        return run(parse_recipe(RECIPE, "both.yaml"), file, pause=lambda seconds: None), ""
    except OutputMayBeOn as danger:
        return danger.outcome if isinstance(danger.outcome, Outcome) else None, str(danger)
    except WavewrightError:  # an instrument that was not there at the beginning
        return None, ""


def test_every_kind_of_fault_is_tried_here() -> None:
    assert set(KINDS) == set(fault_kinds())


def test_without_a_fault_both_measurements_come_about(tmp_path: Path, libraries: list[Any]) -> None:
    none = tmp_path / "none.yaml"
    none.write_text("wavewright-faults: 1\nfaults: {}\n", encoding="utf-8")
    outcome, told = outcome_of(bench_with(none))
    assert outcome is not None
    assert [one.error for one in outcome.measurements] == ["", ""]
    assert (told, outputs_on(libraries[0])) == ("", [])
    fed = [(feed.voltage, feed.is_on) for _, feed in libraries[0].bench.surroundings.feed.since(-np.inf)]
    assert (24.0, True) in fed
    check_ceilings(libraries[0])


@pytest.mark.parametrize("instrument", ["supply", "source"])
@pytest.mark.parametrize("kind", KINDS)
def test_outputs_are_off_after_a_run_or_a_person_is_told(
    ordered: Callable[[str, str], BenchFile], libraries: list[Any], strikes: list[bytes], kind: str, instrument: str
) -> None:
    outcome, told = outcome_of(ordered(instrument, kind))
    assert strikes
    assert "by hand" in told or outputs_on(libraries[0]) == []
    check_ceilings(libraries[0])
    if outcome is not None and not told:  # every measurement that was begun is accounted for
        assert outcome.error or len(outcome.measurements) == 2
        assert all(one.error or one.results for one in outcome.measurements)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_outputs_are_off_after_a_run_with_a_shipped_fault_file(
    libraries: list[Any], strikes: list[bytes], path: Path
) -> None:
    outcome, told = outcome_of(bench_with(path))
    assert strikes
    assert (told, outputs_on(libraries[0])) == ("", [])
    assert outcome is not None
    check_ceilings(libraries[0])


def attempts(bench: Bench) -> Iterator[Callable[[], object]]:
    """Steps within the ceilings, and in between ways to get above them."""
    supply, source = bench.supply, bench.source
    own = Waveform.from_volts([0.0, 1.0, 0.5], interval=1e-6, name="own")
    yield lambda: supply.apply_setup(SupplySetup(24.0, 1.0, output=True))
    yield lambda: source.apply_setup(SourceSetup(function="square", amplitude=4.0, offset=2.0))
    yield lambda: supply.apply_setup(SupplySetup(voltage=30.0))
    yield lambda: supply.apply_setup(SupplySetup(current_limit=2.0, output=True))
    yield lambda: supply.apply_setup(SupplySetup(12.0, 1.0, output=True))
    yield lambda: supply.apply_setup(SupplySetup(voltage=27.0))
    yield lambda: source.apply_setup(SourceSetup(amplitude=12.0))
    yield lambda: source.apply_setup(SourceSetup(offset=4.5))
    yield lambda: source.apply_setup(SourceSetup(function="arbitrary", amplitude=11.0, offset=0.0, arbitrary=own))
    yield lambda: source.apply_setup(SourceSetup(function="dc", offset=-4.9, output=True))


@pytest.mark.parametrize("instrument", ["supply", "source"])
@pytest.mark.parametrize("kind", KINDS)
def test_no_way_leads_above_a_ceiling(
    ordered: Callable[[str, str], BenchFile], libraries: list[Any], strikes: list[bytes], kind: str, instrument: str
) -> None:
    refused = 0
    with suppress(WavewrightError), open_bench(ordered(instrument, kind), ["supply", "source"]) as bench:
        for _ in range(4):
            with suppress(WavewrightError):
                bench.reset()
            for attempt in attempts(bench):
                try:
                    attempt()
                except BenchFault:
                    refused += 1
                except WavewrightError:
                    pass
                check_ceilings(libraries[0])
    assert strikes
    assert refused >= 12
    check_ceilings(libraries[0])


@pytest.mark.parametrize("kind", KINDS)
def test_what_somebody_set_by_hand_is_not_switched_on_either(
    ordered: Callable[[str, str], BenchFile], libraries: list[Any], kind: str
) -> None:
    for instrument in CEILINGS:
        with suppress(WavewrightError), open_bench(ordered(instrument, kind), ["supply", "source"]) as bench:
            devices = {name: one.instrument for name, one in libraries[-1].instruments.items()}
            supply, source = (next(one for name, one in devices.items() if role in name) for role in CEILINGS)
            for _ in range(12):
                supply.settings.put("voltage", 30.0)
                source.settings.put("amplitude", 20.0)
                source.settings.put("high", 10.0)
                source.settings.put("low", -10.0)
                source.settings.put("offset", 0.0)
                with suppress(WavewrightError):
                    bench.supply.apply_setup(SupplySetup(current_limit=0.5, output=True))
                with suppress(WavewrightError):
                    bench.source.apply_setup(SourceSetup(output=True))
                check_ceilings(libraries[-1])
