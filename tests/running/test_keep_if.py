"""`keep_if:`, the serial trigger in software: how many shots it takes, and when it gives up."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable

import pytest

from wavewright.judgement.verdict import Verdict
from wavewright.running.outcome import Outcome

Run = Callable[..., Outcome]

TELEGRAM = """
wavewright: 1
title: Telegram
measurements:
  telegram:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, before_trigger: 2 ms, rate: 250 kHz}
    trigger: {mode: normal, edge: falling, level: 1.65 V}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even, then: modbus_rtu}}
    keep_if: {line: WANTED, within: "LIMIT"}
    compute: {wrong: {metric: frame_errors, of: line, limit: exactly 0}}
"""
NEVER = '{holds: "22 22"}'


def telegram(wanted: str, limit: str) -> str:
    return TELEGRAM.replace("WANTED", wanted).replace("LIMIT", limit)


def clock(step: float) -> Callable[[], float]:
    """A clock that goes on by a step, s, each time it is looked at: once before the first shot, once after each."""
    times = itertools.count()
    return lambda: next(times) * step


def test_shots_are_taken_until_one_fulfils_it_and_that_one_is_kept(run_text: Run) -> None:
    # two registers of the controller change from telegram to telegram; those of the third begin with 03
    outcome = run_text(telegram('{holds: "11 03 04 03"}', "60 shots"))
    (one,) = outcome.measurements
    assert len(outcome.captures["telegram"]) == 1
    assert one.results[0].verdict is Verdict.PASS
    assert any(re.fullmatch(r"condition met after \d+ shots?", remark) for remark in one.remarks)


def test_one_that_is_never_fulfilled_is_the_error_of_its_measurement(run_text: Run) -> None:
    (one,) = run_text(telegram(NEVER, "3 shots")).measurements
    assert one.verdict is Verdict.ERROR
    assert "none of 3 shots meets the condition" in one.error
    assert "no frame of 2 holds `22 22`" in one.error


def test_where_there_are_no_frames_at_all_what_is_on_the_line_is_said(run_text: Run) -> None:
    # the feed instead of the line: steady
    text = telegram(NEVER, "2 shots").replace("TP10", "TP1")
    text = text.replace("mode: normal, edge: falling, level: 1.65 V", "mode: auto")
    (one,) = run_text(text).measurements
    assert one.verdict is Verdict.ERROR
    assert "no frame of 0 holds `22 22` (no frames: `tx`: no edges" in one.error


@pytest.mark.parametrize(
    "limit, step, tries",
    [
        ("3 shots", 0.0, 3),
        ("3 s", 1.0, 4),  # the fourth shot is over after 4 s: the first that is late
        ("3 s", 2.0, 2),
        ("5 shots, 3 s", 1.0, 4),
        ("2 shots, 30 s", 1.0, 2),
    ],
)
def test_it_gives_up_at_whichever_limit_comes_first(run_text: Run, limit: str, step: float, tries: int) -> None:
    outcome = run_text(telegram(NEVER, limit), elapsed=clock(step))
    (one,) = outcome.measurements
    assert one.verdict is Verdict.ERROR
    assert f"none of {tries} shots meets the condition" in one.error
    assert not outcome.captures.get("telegram")


@pytest.mark.parametrize(
    "wanted",
    ['{find: "function = 3 and address = 17"}', '{holds: "11 03", find: "function_name like_regex \\"holding\\""}'],
)
def test_a_search_may_say_what_is_kept(run_text: Run, wanted: str) -> None:
    outcome = run_text(telegram(wanted, "10 s"), elapsed=clock(0.0), seed=204)
    assert outcome.measurements[0].results[0].verdict is Verdict.PASS
    assert len(outcome.captures["telegram"]) == 1
    (remark,) = outcome.measurements[0].remarks  # the line is at any place of its period when a shot begins
    assert remark in ("condition met after 1 shot", "condition met after 2 shots", "condition met after 3 shots")


def test_where_nothing_was_decoded_it_is_said_what_is_on_the_line(run_text: Callable[..., Outcome]) -> None:
    text = """\
wavewright: 1
title: wrong baud
measurements:
  telegram:
    place: Probe 1 on TP6.
    channels: {line: {input: 1, range: 4 V, offset: 1.65 V}}
    timebase: {span: 20 us, rate: 250 MHz}
    decode: {said: {bus: uart, tx: line, baud: 19200}}
    expect: {said: {holds: "11 03"}}
"""
    (result,) = run_text(text).measurements[0].results
    assert "no frames: `tx`:" in result.reason
    assert "the rate looks like" in result.reason
