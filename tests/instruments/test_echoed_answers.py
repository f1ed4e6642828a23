"""An instrument of an invented dialect that answers with the header before the value; on a real socket.

Its profile says so once, for settings, scale and own values.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.instruments.spoken import Spoken, bench_of
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.profile import load_profile
from wavewright.instruments.profile_exercise import TrialOutcome, exercise
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup

PROFILE = r"""
wavewright-profile: 1
name: gate
role: digitizer
extends: scpi-basics
answers_to: "^Reedbank,Gatekeeper"
pattern: '^(?i:GATE\S*) (?P<value>.*)$'
restarted: {ask: ""}
errors: {ask: ""}
reset: ["GATE:CLEAR"]
inputs: 1
settings:
  input.coupling: {set: "GATE{input}:JOIN {value}", ask: "GATE{input}:JOIN?", words: {dc: through, ac: blocked}}
  input.range: {set: "GATE{input}:HEIGHT {value}", ask: "GATE{input}:HEIGHT?"}
  timebase.interval: {set: "GATE:EVERY {value}", ask: "GATE:EVERY?"}
  timebase.points: {set: "GATE:COUNT {value}", ask: "GATE:COUNT?"}
acquire: {arm: "GATE:OPEN", finished: {poll: {ask: "GATE:SHUT?", pattern: "yes$"}}}
waveform:
  fetch: "GATE{input}:TAKE?"
  format: int8
  formats: {int8: {samples: int8}}
  scale:
    told_in: queries
    gain: {ask: "GATE{input}:STEP?"}
    offset: {ask: "GATE{input}:ZERO?", pattern: 'about (?P<value>\S+)'}
abilities: {ranges: [2 V, 4 V], rate: 1 MHz, points: 1k}
own_values:
  maximum: {ask: "GATE{input}:TOP?"}
"""


class Gatekeeper(Spoken):
    """Says `GATE1:HEIGHT 4` when it is asked for it, in small letters where the manual has capitals."""

    identity = "Reedbank,Gatekeeper,0,1.0"
    resets = "GATE:CLEAR"

    def __init__(self) -> None:
        super().__init__({"GATE:SHUT": "yes", "GATE1:STEP": "0.5", "GATE1:ZERO": "about 1.5", "GATE1:TOP": "2.5"})

    def own(self, text: str) -> str | bytes | None:
        if text == "GATE1:TAKE?":
            count = int(float(self.held["GATE:COUNT"]))
            return f"#{len(str(count))}{count}".encode() + bytes([0, 2]) * (count // 2) + b"\n"
        answer = super().own(text)
        return f"{text[:-1].lower()} {answer}" if isinstance(answer, str) else answer


@pytest.fixture
def device() -> Gatekeeper:
    return Gatekeeper()


@pytest.fixture
def bench(tmp_path: Path, device: Gatekeeper) -> Iterator[Bench]:
    (tmp_path / "gate.yaml").write_text(PROFILE, encoding="utf-8")
    with (
        bench_of(tmp_path, {"digitizer": device}, profiles={"digitizer": "gate.yaml"}) as file,
        open_bench(file) as opened,
    ):
        opened.reset()
        yield opened


def test_one_pattern_serves_settings_scale_and_own_values(bench: Bench) -> None:
    setup = DigitizerSetup({"line": InputSetup(1, 4.0)}, TimebaseSetup(100, 1e-6), TriggerSetup())
    used = bench.digitizer.configure(setup)
    assert (used["input1.coupling"], used["input1.range"], used["timebase.points"]) == ("dc", 4.0, 100.0)
    wave = bench.digitizer.acquire()["line"]
    assert (wave.gain, wave.offset) == (0.5, 1.5)  # the offset has a pattern of its own
    assert list(wave.values(0, 2)) == [1.5, 2.5]
    assert bench.digitizer.own_value("maximum", "line") == 2.5


def test_an_answer_without_its_header_is_none(bench: Bench, device: Gatekeeper) -> None:
    device.answers["GATE1:HEIGHT?"] = ["4"]  # the answer to an earlier query, say
    bench.digitizer.set("input.range", 4.0, input=1)
    assert bench.digitizer.get("input.range", input=1) == 4.0
    assert device.sent.count("GATE1:HEIGHT?") == 2


def test_a_pattern_is_inherited_and_can_be_another(tmp_path: Path) -> None:
    (tmp_path / "gate.yaml").write_text(PROFILE, encoding="utf-8")
    child = tmp_path / "child.yaml"
    child.write_text("wavewright-profile: 1\nname: child\nextends: gate.yaml\n", encoding="utf-8")
    assert load_profile(str(child)).read("input.range", "gate1:height 4", input=1) == 4.0
    child.write_text(
        "wavewright-profile: 1\nname: child\nextends: gate.yaml\npattern: '^= (?P<value>.*)'\n", encoding="utf-8"
    )
    assert load_profile(str(child)).read("input.range", "= 4", input=1) == 4.0


def test_a_word_that_is_none_of_the_profile_fails_with_its_reason(bench: Bench, device: Gatekeeper) -> None:
    device.answers["GATE1:JOIN?"] = "gate1:join sideways"
    failed = [row for row in exercise(bench.digitizer) if row.finding is TrialOutcome.FAILS]
    words = [row for row in failed if row.setting == "input1.coupling"]
    assert [row.asked for row in words] == ["ac", "dc"]
    assert all("`gate1:join sideways` is not one of its words" in row.remark for row in words)
    assert len({row.cause for row in words}) == 1


def test_a_word_that_is_another_than_requested_fails_with_its_reason(bench: Bench, device: Gatekeeper) -> None:
    device.twists["GATE1:JOIN"] = lambda said: "through"
    (row,) = [row for row in exercise(bench.digitizer) if row.finding is TrialOutcome.FAILS]
    assert row.remark == "requested ac, set to dc"
