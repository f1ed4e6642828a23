"""A stimulus is not sent before the digitizer says that it waits for the trigger, where its profile says how it does.

Instruments of the tests' own on real sockets, on a board whose first edge after the stimulus is another than the later
ones: a digitizer that was not armed yet, or had its trigger before, brings a record of something else, within limits
that the first edge violates. Nothing here waits: what is slow takes a number of queries. The bits are those of
STATus:OPERation (SCPI-99 volume 2, 20; second-hand).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from itertools import chain, repeat
from pathlib import Path

import pytest

from tests.instruments.spoken import OUTPUT, ScpiDigitizer, ScpiSource, Spoken, bench_of
from tests.running.test_read_back import only
from wavewright.judgement.verdict import Verdict
from wavewright.recipe.load import parse_recipe
from wavewright.running.result import MeasurementOutcome
from wavewright.running.run import run

SHOTS = 3
RECIPE = f"""
wavewright: 1
title: The first edge after the source is switched on
measurements:
  first_edge:
    channels: {{line: {{input: 1, range: 8 V}}}}
    timebase: {{span: 2 ms, points: 200, before_trigger: 400 us}}
    trigger: {{mode: normal, on: line, edge: rising, level: 0.1 V, timeout: 1 s}}
    shots: {SHOTS}
    stimulus:
      - {{source: {{output: off}}, then_wait: 1 ms}}
      - {{source: {{function: sine, frequency: 1 kHz, amplitude: 4 V, offset: 0 V}}}}
    compute: {{swing: {{metric: peak_to_peak, limit: 3 V .. 5 V}}}}
"""
BY_BITS = '{ask: "STATus:OPERation:CONDition?", mask: 96, equals: 32, within: 60 ms}'
BY_WORD = '{ask: "STATe?", pattern: "^WAITS$", within: 60 ms}'
UNSAID = '{ask: ""}'
IDLE, WAITS, SWEEPS, FOR_ARM = 0, 32, 8, 64
CONDITION = "STATus:OPERation:CONDition?"
Says = Callable[["Armable"], str]


class Armable(ScpiDigitizer):
    """A digitizer that is armed after a number of queries about it, or never; what triggers it decides its record.

    Parameters
    ----------
    first : peak to peak of the first edge after the stimulus, V; of every other one it is 4 V.
    slow : so many queries about it are answered before it is armed; None: it never is, until its record is asked for.
    early : it triggers by itself, once it has been asked so many times and is armed.
    says : what it answers when it is asked; the condition register, if None.
    """

    def __init__(
        self, *, first: float, slow: int | None = 0, early: int | None = None, says: Says | None = None
    ) -> None:
        super().__init__()
        self.first, self.slow, self.early, self.says = first, slow, early, says
        self.is_running = self.is_triggered = False
        self.asked = 0  # since it was told to arm

    @property
    def is_armed(self) -> bool:
        return self.is_running and self.slow is not None and self.asked > self.slow and not self.is_triggered

    @property
    def condition(self) -> int:
        return WAITS if self.is_armed else IDLE

    def edge(self) -> None:
        """The stimulus: the first edge, if anybody looks."""
        if self.is_running and self.slow is not None and self.asked >= self.slow and not self.is_triggered:
            self.peak, self.is_triggered = self.first / 2, True

    def own(self, text: str) -> str | bytes | None:
        if text in (CONDITION, "STATe?"):
            self.asked += 1
            if self.early is not None and self.is_armed and self.asked > self.early:
                self.is_triggered = True
            if self.says is not None:
                return self.says(self)
            return str(self.condition) if text == CONDITION else "WAITS" if self.is_armed else "RESTS"
        if text == "INITiate":
            self.is_running, self.is_triggered, self.asked, self.peak = True, False, 0, 2.0
        if text in ("*OPC?", "ABORt", "*RST"):
            self.is_running = False  # by then a later edge, of 4 V, has been found
        return super().own(text)


def measured(folder: Path, digitizer: Armable, armed: str = BY_BITS, *, several: bool = True) -> MeasurementOutcome:
    """What comes of the recipe; the source has not been switched on for a shot without a digitizer that is armed."""
    source = ScpiSource()
    devices: dict[str, Spoken] = {"digitizer": digitizer, "source": source}
    source.at[f"{OUTPUT} 1"] = digitizer.edge
    (folder / "own.yaml").write_text(
        "wavewright-profile: 1\nname: own\nextends: scpi-digitizer\n"
        f"acquire: {{armed: {armed}}}\nquirks: {{compound_queries: {str(several).lower()}, timeout: 500 ms}}\n",
        encoding="utf-8",
    )
    with bench_of(folder, devices, profiles={"digitizer": "own.yaml"}) as bench:
        one = only(run(parse_recipe(RECIPE, "edge.yaml"), bench, pause=lambda seconds: None))
    assert source.held[OUTPUT] == "0"
    return one


def sequence(*answers: str) -> Says:
    """These when it is asked once it is armed, and the last one for ever; at rest what it really is."""
    left: Iterator[str] = chain(answers, repeat(answers[-1]))
    return lambda device: next(left) if device.is_running else str(IDLE)


def when_armed(bits: str) -> Says:
    """This in place of the bit that it waits for its trigger."""
    return lambda device: bits if device.is_armed else str(IDLE)


# how the digitizer is, by name, and whether a measurement comes of it
MEASURED: dict[str, Callable[[float], Armable]] = {
    "armed at once": lambda first: Armable(first=first),
    "slow to arm": lambda first: Armable(first=first, slow=4),
    "armed before and after other bits": lambda first: Armable(first=first, slow=2, says=when_armed("17440")),
    "sweeps while it waits": lambda first: Armable(first=first, says=when_armed("40")),
    "answers in real numbers": lambda first: Armable(first=first, says=when_armed("+3.2E1")),
    "answers in hexadecimal": lambda first: Armable(first=first, says=when_armed("#H20")),
    "answers in binary": lambda first: Armable(first=first, says=when_armed("#B100000")),
    "garbage for one query": lambda first: Armable(first=first, says=sequence("EC", "32")),
    "no value for one query": lambda first: Armable(first=first, says=sequence("9.91E37", "32")),
    "nothing for one query": lambda first: Armable(first=first, says=sequence("", "32")),
}
REFUSED: dict[str, Callable[[float], Armable]] = {
    "never arms": lambda first: Armable(first=first, slow=None),
    "slower than its profile says": lambda first: Armable(first=first, slow=1 << 20),
    "triggers before the stimulus": lambda first: Armable(first=first, early=0),
    "triggers before the stimulus, and is slow": lambda first: Armable(first=first, slow=2, early=2),
    "is recording already": lambda first: Armable(first=first, says=sequence("24", "24", "0")),
    "waits to be armed": lambda first: Armable(first=first, slow=None, says=sequence("64")),
    "waits for both": lambda first: Armable(first=first, slow=None, says=sequence("96")),
    "other bits only": lambda first: Armable(first=first, slow=None, says=sequence("17408")),
    "sweeps and never waits": lambda first: Armable(first=first, slow=None, says=sequence("8")),
    "says so always": lambda first: Armable(first=first, slow=None, says=lambda device: "32"),
    "says so always, with other bits": lambda first: Armable(first=first, slow=None, says=lambda device: "16424"),
    "garbage": lambda first: Armable(first=first, says=sequence("EC")),
    "an error in place of a number": lambda first: Armable(first=first, says=sequence('-113,"Undefined header"')),
    "an empty answer": lambda first: Armable(first=first, says=sequence("")),
    "no value": lambda first: Armable(first=first, says=sequence("9.91E+37")),
    "overload": lambda first: Armable(first=first, says=sequence("9.9E+37")),
    "a negative number": lambda first: Armable(first=first, says=sequence("-32")),
    "a fraction": lambda first: Armable(first=first, says=sequence("32.5")),
    "more than a register holds": lambda first: Armable(first=first, says=sequence("65568")),
    "a digit that is none": lambda first: Armable(first=first, says=sequence("#B2")),
    "two answers": lambda first: Armable(first=first, says=sequence("32\n32")),
    "its answer comes twice": lambda first: Armable(first=first, says=sequence("32,32")),
}
EVERY_WAY = os.environ.get("WAVEWRIGHT_PROOF") == "full"
SEVERAL = [True, False] if EVERY_WAY else [True]
FIRST = {"a bad unit": (1.0, Verdict.FAIL), "a good unit": (4.0, Verdict.PASS)}


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("unit", FIRST)
@pytest.mark.parametrize("how", MEASURED)
def test_a_shot_is_of_the_first_edge(tmp_path: Path, how: str, unit: str, *, several: bool) -> None:
    first, right = FIRST[unit]
    one = measured(tmp_path, MEASURED[how](first), several=several)
    assert one.verdict is right, one.error
    assert one.shots == SHOTS
    assert all(shot.value == pytest.approx(first, rel=0.05) for shot in one.results[0].shots)


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("unit", FIRST)
@pytest.mark.parametrize("how", REFUSED)
def test_without_a_digitizer_that_waits_there_is_no_stimulus_and_no_shot(
    tmp_path: Path, how: str, unit: str, *, several: bool
) -> None:
    digitizer = REFUSED[how](FIRST[unit][0])
    one = measured(tmp_path, digitizer, several=several)
    assert one.verdict is Verdict.ERROR
    assert not one.results
    assert CONDITION in one.error
    assert "(digitizer)" in one.error
    assert not digitizer.is_running, "the trigger system is at rest"


@pytest.mark.parametrize("unit", FIRST)
@pytest.mark.parametrize("slow", [0, 3])
def test_words_say_it_as_well(tmp_path: Path, unit: str, slow: int) -> None:
    first, right = FIRST[unit]
    assert measured(tmp_path, Armable(first=first, slow=slow), BY_WORD).verdict is right


def test_a_word_that_is_none_is_said(tmp_path: Path) -> None:
    one = measured(tmp_path, Armable(first=1.0, says=sequence("RESTS", "TIRED")), BY_WORD)
    assert "`STATe?` still answers `TIRED`" in one.error
    assert "expected: an answer that matches `^WAITS$`" in one.error


def test_what_the_guide_says_of_a_profile_that_does_not_say_it(tmp_path: Path) -> None:
    digitizer = Armable(first=1.0, slow=4)
    # it is armed too late for the first edge, and nobody knows
    assert measured(tmp_path, digitizer, UNSAID).verdict is Verdict.PASS
    assert CONDITION not in digitizer.sent


@pytest.mark.parametrize("several", SEVERAL)
@pytest.mark.parametrize("unit", FIRST)
def test_what_the_guide_says_of_an_instrument_that_says_so_too_early(
    tmp_path: Path, unit: str, *, several: bool
) -> None:
    lies = Armable(first=FIRST[unit][0], slow=4, says=lambda device: "32" if device.is_running else "0")
    assert measured(tmp_path, lies, several=several).verdict is Verdict.PASS


def test_it_costs_one_query_a_shot_and_one_for_the_set_up(tmp_path: Path) -> None:
    digitizer = Armable(first=4.0)
    measured(tmp_path, digitizer)
    assert digitizer.sent.count(CONDITION) == SHOTS + 1
    for number, text in enumerate(digitizer.sent):
        if text == "INITiate":
            assert digitizer.sent[number + 1] == CONDITION
