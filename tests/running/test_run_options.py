"""The options of a run: each is in the signature and described, and a wrong one is refused before anything opens."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import wavewright as ww
from tests.running.conftest import ROOT
from wavewright.errors import BenchFault, Misuse
from wavewright.instruments.bench_file import load_bench
from wavewright.logbook import kept_run
from wavewright.running.run_options import DEFAULTS, RunOptions

RECIPE = ROOT / "recipes" / "rail_ripple.yaml"
WRONG: dict[str, list[object]] = {
    "serial": [17, None],
    "serial_pattern": [17],
    "operator": [None, b"ada"],
    "station": [3],
    "batch": [3],
    "out": [3],
    "logbook": [3],
    "captures": [3],
    "logbook_may_be_away": ["no", 1, None],
    "instruments": [["digitizer"], {"digitizer": 1}, {"digitiser": "fast"}],
    "answers": [["work_order"], {"work_order": 1}, "WO-000001"],
    "attach": ["photo.png", [1], None],
    "note": [None, 1],
    "seed": ["7", -1, 7.0, True, np.nan],
    "draw": ["7", -1, 1.5],
    "stop_at_first": ["yes", None],
    "retest_anyway": ["yes", 1],
    "quarantined_anyway": ["the reason", None],
    "cross_check": [1],
    "full_wire_log": [0],
    "time_limit": ["600 s", 0, -1.0, float("nan"), True],
    "patience": ["1 s", -1, None, float("nan")],
    "desk": [print, "ada"],
    "progress": [print],
    "say": ["loud"],
}


@pytest.fixture
def nothing_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """A function that runs the recipe with every place to keep something in a folder, and sees that it stays empty."""
    locked: list[object] = []
    monkeypatch.setattr(kept_run, "bench_lock", lambda *given, **how: locked.append(given))

    def refused(expected: type[Exception] = Misuse, match: str = "", **options: Any) -> None:
        places = {"out": tmp_path / "outcomes", "logbook": tmp_path / "book.sqlite", "bench": ROOT / "sim/bench.yaml"}
        with pytest.raises(expected, match=match):
            ww.run(RECIPE, **{**places, **options})
        assert not list(tmp_path.iterdir())
        assert not locked

    return refused


def test_the_signature_shows_every_option_with_its_default() -> None:
    shown = inspect.signature(ww.run).parameters
    assert [*shown][:2] == ["recipe", "bench"]
    assert {name: one.default for name, one in shown.items() if name not in ("recipe", "bench")} == {
        one.name: getattr(DEFAULTS, one.name) for one in fields(RunOptions)
    }
    assert all(one.kind is one.KEYWORD_ONLY for name, one in shown.items() if name != "recipe")


def test_the_help_says_what_every_option_means() -> None:
    text = inspect.getdoc(ww.run)
    assert text is not None
    described = {
        name
        for line in re.findall(r"^(\w[\w, ]*) : \S", text, re.MULTILINE)
        for name in line.replace(" ", "").split(",")
    }
    assert set(inspect.signature(ww.run).parameters) <= described


def test_a_misspelt_option_is_refused_before_anything_is_opened(nothing_opened: Callable[..., None]) -> None:
    nothing_opened(match=r"(?s)no option `sed`.*did you mean `seed`\?", sed=3)


@pytest.mark.parametrize("name, value", [(name, value) for name, values in WRONG.items() for value in values])
def test_a_wrong_value_is_refused_before_anything_is_opened(
    nothing_opened: Callable[..., None], name: str, value: object
) -> None:
    nothing_opened(match=f"the option `{name}`", **{name: value})


def test_every_option_was_given_a_wrong_value() -> None:
    assert set(WRONG) == {one.name for one in fields(RunOptions)}


def test_a_misspelt_role_names_the_nearest() -> None:
    with pytest.raises(Misuse, match=r"(?s)`digitiser`.*did you mean `digitizer`\?"):
        RunOptions(instruments={"digitiser": "fast"})


def test_what_the_bench_has_not_is_refused_before_anything_is_opened(nothing_opened: Callable[..., None]) -> None:
    nothing_opened(BenchFault, "no `elsewhere`", instruments={"digitizer": "elsewhere"})
    nothing_opened(Misuse, "uses no meter", instruments={"meter": "meter"})


@pytest.mark.parametrize(
    "given, options, match",
    [
        ((), {}, "`run`: missing a required argument: 'recipe'"),
        ((RECIPE, "sim/bench.yaml"), {}, "`run`: too many positional arguments"),
        ((3,), {}, "the recipe is 3"),
        ((RECIPE,), {"bench": 3}, "the bench is 3"),
    ],
)
def test_a_call_that_cannot_be_meant_is_refused_in_our_words(
    given: tuple[object, ...], options: dict[str, object], match: str
) -> None:
    call: Any = ww.run
    with pytest.raises(Misuse, match=match):
        call(*given, **options)


def test_numbers_of_other_libraries_are_numbers() -> None:
    options = RunOptions(seed=int(np.int64(7)), time_limit=float(np.float32(20)))
    assert RunOptions(seed=np.int64(7), time_limit=np.float64(20.0)) == options  # type: ignore[arg-type]


def test_some_are_changed_and_the_rest_stays() -> None:
    options = RunOptions(serial="A1", seed=7).changed(serial="A2")
    assert (options.serial, options.seed) == ("A2", 7)
    with pytest.raises(Misuse, match=r"(?s)no option `serail`.*`serial`"):
        options.changed(serail="A2")


def test_the_options_reach_the_run(tmp_path: Path) -> None:
    heard: list[str] = []

    class OperatorTerminal:
        def confirm(self, text: str) -> None:
            heard.append(text)

        def say(self, text: str) -> None:
            heard.append(text)

    outcome = ww.run(
        RECIPE, bench=load_bench(ROOT / "sim/bench.yaml"), serial="VC204-0017", operator="Ada", seed=7, draw=8,
        desk=OperatorTerminal(), out=tmp_path, full_wire_log=True, cross_check=True,
    )  # fmt: skip
    assert (outcome.serial, outcome.operator, outcome.seed, outcome.draw) == ("VC204-0017", "Ada", 7, 8)
    assert outcome.measurements[0].cross_checks
    assert heard
