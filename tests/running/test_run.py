"""Runs on the simulated bench, in this process and without pauses."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pyvisa.constants import StatusCode

from tests.running.conftest import ROOT
from wavewright.errors import BenchFault, FileFault, StorageFault
from wavewright.instruments.bench_file import BenchFile, load_bench
from wavewright.instruments.wire_log import read_wire_log
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import load_recipe
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan
from wavewright.running.run import run
from wavewright.running.run_context import InMemory, Silent
from wavewright.running.run_options import RunOptions
from wavewright.running.selection import select
from wavewright.simulation.sessions import SimulatedSession
from wavewright.waveform import Capture, Waveform

Run = Callable[..., Outcome]

RAIL = """
wavewright: 1
title: Rail
measurements:
  rail_noise:
    place: Probe 1 on TP3.
    channels: {rail: {input: 1, coupling: ac, range: RANGE, probe: 1x, bandwidth_limit: 20 MHz}}
    timebase: {span: 200 us, rate: 25 MHz}
    trigger: {mode: MODE, edge: rising, level: LEVEL, timeout: 100 ms}
    compute:
      ripple: {metric: peak_to_peak, limit: LIMIT}
"""


def rail(*, size: str = "100 mV", mode: str = "auto", level: str = "0 V", limit: str = "at most 40 mV") -> str:
    words = {"RANGE": size, "MODE": mode, "LEVEL": level, "LIMIT": limit}
    text = RAIL
    for word, value in words.items():
        text = text.replace(word, value)
    return text


def messages_of(store: InMemory, instrument: str) -> list[str]:
    store.wire_log.seek(0)
    records = read_wire_log(store.wire_log)
    return [
        record.data.decode().strip()
        for record in records
        if record.instrument == instrument and record.sign == ">" and record.data
    ]


def switching(store: InMemory, instrument: str) -> list[str]:
    """What was sent about the output: switched, and asked for, whatever else was asked for in the same message."""
    sent = [message.partition(";")[0] for message in messages_of(store, instrument)]
    return [message for message in sent if message.startswith("OUTPut:STATe")]


class Counted(Silent):
    """Messages with a query that the sessions of the simulated bench are given, in all and until each first shot."""

    def __init__(self) -> None:
        self.queries, self.set_ups, self._begun = 0, list[int](), 0

    def count(self, session: SimulatedSession, content: bytes) -> tuple[int, StatusCode]:
        """In place of a session's own `write`."""
        self.queries += b"?" in content
        return WRITE(session, content)

    def begin(self, label: str, *, shots: int) -> None:
        self._begun = self.queries

    def shot(self, number: int) -> None:
        if number == 1:
            self.set_ups.append(self.queries - self._begun)


WRITE = SimulatedSession.write


@pytest.fixture(scope="module")
def counted() -> Counted:
    return Counted()


@pytest.fixture(scope="module")
def end_of_line(bench: BenchFile, counted: Counted) -> tuple[Outcome, InMemory]:
    store = InMemory()
    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")

    def write(session: SimulatedSession, content: bytes) -> tuple[int, StatusCode]:
        return counted.count(session, content)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SimulatedSession, "write", write)
        return run(recipe, bench, RunOptions(progress=counted), store=store, pause=lambda seconds: None), store


def test_the_healthy_board_passes_in_everything(end_of_line: tuple[Outcome, InMemory]) -> None:
    outcome, _ = end_of_line
    assert outcome.verdict is Verdict.PASS
    assert all(result.verdict is Verdict.PASS for result in outcome.results.values())


@pytest.mark.usefixtures("end_of_line")
def test_a_check_of_seven_set_ups_asks_at_most_300_times(counted: Counted) -> None:
    # counted where the messages arrive; one of several queries (IEEE 488.2-1992, 7.3 †) is one
    assert 100 < counted.queries <= 300
    assert len(counted.set_ups) == 7
    assert max(counted.set_ups) <= 40  # with the first shot


def test_the_faulty_board_fails_in_exactly_what_is_wrong_with_it(faulty_bench: BenchFile) -> None:
    # the board file names its defects: dried-out output capacitor, short supervisor, missing snubber, enable glitch
    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    outcome = run(recipe, faulty_bench, pause=lambda seconds: None)
    wrong = {name for name, result in outcome.results.items() if result.verdict is not Verdict.PASS}
    assert wrong == {
        "rail_noise.ripple",
        "reset_hold.reset_low",
        "coil_drive[duty=10 %].overshoot",
        "coil_drive[duty=40 %].overshoot",
        "coil_drive[duty=90 %].overshoot",
        "enable_line.shortest_low",
    }
    assert outcome.verdict is Verdict.FAIL


def test_the_plan_is_what_is_sent(end_of_line: tuple[Outcome, InMemory], bench: BenchFile) -> None:
    # given the plan of a measurement without automatic settings
    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    chosen = select(recipe, bench)
    planned = plan(recipe, chosen.profiles, attenuations=chosen.attenuations).measurements[0]
    wanted = [
        m for step in (*planned.first, *planned.for_every_shot) if step.role == "digitizer" for m in step.messages
    ]
    # then its messages went over the wire in that order; what lies between are the queries that read back
    sent = iter(messages_of(end_of_line[1], "digitizer"))
    assert all(message in sent for message in wanted)


def test_each_measurement_says_how_long_it_took(end_of_line: tuple[Outcome, InMemory]) -> None:
    outcome, _ = end_of_line
    assert all(one.seconds is not None and one.seconds >= 0 for one in outcome.measurements)


def test_outputs_are_off_at_the_end(end_of_line: tuple[Outcome, InMemory]) -> None:
    for instrument in ("supply", "source"):
        assert switching(end_of_line[1], instrument)[-2:] == ["OUTPut:STATe 0", "OUTPut:STATe?"]


def test_same_seed_same_codes(run_text: Run) -> None:
    first, second, other = (run_text(rail(), seed=seed) for seed in (7, 7, 8))
    codes = [outcome.captures["rail_noise"][0]["rail"].codes.tobytes() for outcome in (first, second, other)]
    assert codes[0] == codes[1] != codes[2]
    assert first.seed == 7


def test_an_automatic_range_uses_most_of_the_codes_and_clips_nothing(run_text: Run) -> None:
    outcome = run_text(rail(size="auto"))
    wave = outcome.captures["rail_noise"][0]["rail"]
    assert wave.code_range is not None
    lowest, highest = int(wave.codes.min()), int(wave.codes.max())
    assert wave.code_range[0] < lowest < highest < wave.code_range[1]
    # the smallest range of the simulated digitizer is 80 mV, so ripple of 23 mV cannot fill more of it
    assert outcome.measurements[0].read_back["input1.range"] == pytest.approx(0.08)
    assert any("auto range: 80 mV" in remark for remark in outcome.measurements[0].remarks)


def test_a_setting_that_the_instrument_rounds_is_recorded_and_told(run_text: Run) -> None:
    (one,) = run_text(rail(size="100 mV")).measurements
    assert one.asked["input1.range"] == pytest.approx(0.1)
    assert one.read_back["input1.range"] == pytest.approx(0.2)
    assert "input1.range: requested 100 mV, set to 200 mV" in one.remarks


def test_a_rounded_interval_does_not_shorten_the_record(run_text: Run) -> None:
    # 34 ns is none of the digitizer's steps
    text = rail().replace("rate: 25 MHz", "points: 5883")
    outcome = run_text(text)
    wave = outcome.captures["rail_noise"][0]["rail"]
    assert wave.interval != pytest.approx(200e-6 / 5883, rel=1e-3)
    assert wave.duration == pytest.approx(200e-6, rel=1e-3)


def test_a_trigger_that_never_comes_is_the_error_of_its_measurement_and_the_run_goes_on(run_text: Run) -> None:
    text = rail(mode="normal", level="40 mV") + RAIL[RAIL.index("  rail_noise") :].replace(
        "rail_noise", "again"
    ).replace("RANGE", "100 mV").replace("MODE", "auto").replace("LEVEL", "0 V").replace("LIMIT", "at most 40 mV")
    outcome = run_text(text)
    first, second = outcome.measurements
    assert first.verdict is Verdict.ERROR
    assert "no trigger within 0.1 s" in first.error
    assert second.verdict is Verdict.PASS
    assert outcome.verdict is Verdict.ERROR
    assert outcome.error == ""


def test_stop_at_first_ends_the_run_after_what_did_not_pass(run_text: Run) -> None:
    text = rail(mode="normal", level="40 mV") + RAIL[RAIL.index("  rail_noise") :].replace(
        "rail_noise", "again"
    ).replace("RANGE", "100 mV").replace("MODE", "auto").replace("LEVEL", "0 V").replace("LIMIT", "at most 40 mV")
    outcome = run_text(text, stop_at_first=True)
    assert [one.name for one in outcome.measurements] == ["rail_noise"]


def test_a_clipped_channel_is_a_doubt_of_its_reading(run_text: Run) -> None:
    # given a range that is far too small: 20 mV of ripple around an offset that lies beside it
    text = rail(size="80 mV", level="30 mV").replace("probe: 1x", "probe: 1x, offset: 60 mV")
    result = run_text(text).results["rail_noise.ripple"]
    assert "clipped" in result.reading.doubts


def test_a_supply_above_its_ceiling_is_refused_before_anything_is_opened(run_text: Run) -> None:
    text = rail().replace("    compute:", "    stimulus: [{supply: {voltage: 28 V, output: on}}]\n    compute:")
    store = InMemory()
    with pytest.raises(BenchFault) as caught:
        run_text(text, store=store)
    assert "28 V" in str(caught.value)
    assert "at most 26 V" in str(caught.value)
    assert store.wire_log.getvalue() == ""  # type: ignore[attr-defined]


def test_a_role_that_the_bench_lacks_is_named_with_what_is_there(tmp_path: Path) -> None:
    text = (ROOT / "sim/bench.yaml").read_text()
    lines = [line for line in text.splitlines() if not line.strip().startswith(("source:", "prompts:"))]
    (tmp_path / "bench.yaml").write_text("\n".join(lines))
    with pytest.raises(BenchFault) as caught:
        select(load_recipe(ROOT / "recipes/end_of_line.yaml"), load_bench(tmp_path / "bench.yaml"))
    assert str(caught.value) == (
        f"{tmp_path / 'bench.yaml'}: the bench has no source\n"
        "  expected: one beside digitizer (digitizer), supply (supply), meter (meter)"
    )


def test_cautions_and_places_are_confirmed_while_outputs_are_off(bench: BenchFile) -> None:
    asked: list[str] = []
    store = InMemory()

    class Somebody:
        def confirm(self, text: str) -> None:
            on_record = messages_of(store, "supply")
            switched = [message for message in on_record if message.startswith("OUTPut:STATe ")]
            assert not switched or switched[-1] == "OUTPut:STATe 0" or on_record.index("*RST")
            asked.append(text)

        def say(self, text: str) -> None:
            raise AssertionError(text)

    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    short = replace(recipe, measurements=recipe.measurements[:2])
    run(short, bench, RunOptions(desk=Somebody()), store=store, pause=lambda seconds: None)
    assert asked[0].startswith("CAUTION: The coil terminals fly back to 60 V")
    assert asked[1].startswith("Probe 1 on TP3 with the short ground spring. Input 1: rail, probe 1x.")
    assert asked[2].startswith("Probe 1 on TP3, probe 2 on TP9.")


def test_the_conditions_of_a_sweep_ask_for_the_probes_once(bench: BenchFile) -> None:
    asked: list[str] = []

    class Somebody:
        def confirm(self, text: str) -> None:
            asked.append(text)

        def say(self, text: str) -> None:
            raise AssertionError(text)

    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    swept = replace(recipe, cautions=(), measurements=recipe["coil_drive"])
    run(swept, bench, RunOptions(desk=Somebody()), pause=lambda seconds: None)
    assert asked == ["Probe 1 on TP4. Input 1: drive, probe 10x."]


def test_pauses_go_through_the_given_clock(bench: BenchFile) -> None:
    waited: list[float] = []
    recipe = load_recipe(ROOT / "recipes/end_of_line.yaml")
    run(replace(recipe, measurements=recipe["reset_hold"]), bench, pause=waited.append)
    assert [seconds for seconds in waited if seconds >= 0.1] == [0.2] * 5


def test_an_outcome_says_what_it_was_made_of(end_of_line: tuple[Outcome, InMemory], bench: BenchFile) -> None:
    outcome, _ = end_of_line
    assert outcome.recipe.text == (ROOT / "recipes/end_of_line.yaml").read_text()
    assert outcome.bench.sha256 == bench.digest
    assert set(outcome.identities) == {"digitizer", "supply", "source"}
    assert outcome.identities["digitizer"].startswith("Wavewright,Simulated digitizer")
    assert {"wavewright", "numpy", "python"} <= set(outcome.versions)
    assert outcome.parameters == {"duty": "40 %"}
    assert outcome.started.tzinfo is not None
    assert all(math.isfinite(result.reading.value or 0.0) for result in outcome.results.values())


POWERED = """
wavewright: 1
title: Under power
measurements:
  warm:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 1 ms, rate: 1 MHz}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}}]
    compute: {mean: {limit: 3.3 V ± 5 %}}
"""


@pytest.mark.parametrize("fault", [ZeroDivisionError("ours"), KeyboardInterrupt()])
def test_outputs_are_off_after_any_exception(fault: BaseException, run_text: Run) -> None:
    # given a store that fails while the supply's output is on
    class Failing(InMemory):
        def keep(self, label: str, capture: Capture) -> None:
            assert messages_of(self, "supply").count("OUTPut:STATe 1") == 1
            raise fault

    store = Failing()
    with pytest.raises(type(fault)):
        run_text(POWERED, store=store)
    assert switching(store, "supply")[-2:] == ["OUTPut:STATe 0", "OUTPut:STATe?"]


def test_a_disk_that_is_full_ends_the_run_with_what_was_measured(run_text: Run) -> None:
    class Filling(InMemory):
        def keep(self, label: str, capture: Capture) -> None:
            if len(self.captures.get(label, ())) == 2:
                raise StorageFault("no room")
            super().keep(label, capture)

    store = Filling()
    outcome = run_text(POWERED + "    shots: 5\n", store=store)
    assert (outcome.verdict, outcome.error) == ("error", "no room")
    (one,) = outcome.measurements
    assert (one.shots, one.error) == (2, "no room; 2 of 5 shots were taken")
    assert one.results[0].reading.value == pytest.approx(3.3, rel=0.05)
    assert one.results[0].verdict == "inconclusive"  # what holds in two shots may not have held in the others
    assert switching(store, "supply")[-2:] == ["OUTPut:STATe 0", "OUTPut:STATe?"]


def test_a_stored_waveform_that_is_not_there_is_told_before_anything_is_sent(run_text: Run) -> None:
    def read_stored(path: Path, channel: str) -> Waveform:
        raise FileFault("there is no such file", where=str(path))

    store = InMemory()
    text = POWERED + "    compare: {golden: {with: golden/warm.h5}}\n"
    with pytest.raises(FileFault, match="there is no such file"):
        run_text(text, store=store, read_stored=read_stored)
    assert messages_of(store, "supply") == []
