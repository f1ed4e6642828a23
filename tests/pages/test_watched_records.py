"""The command on stored records, as a page sees it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from websockets.exceptions import InvalidStatus

from tests.pages.command_watched import Page, Watch, watching
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

RECIPE = """\
wavewright: 1
title: Pulses that are counted
measurements:
  pulses:
    channels: {line: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 10 ms, points: 100k}
    trigger: {mode: auto, level: 1.65 V}
    shots: 3
    compute:
      frequency: {limit: at most 20 kHz}   # a comment
    persistence: {rows: 32, columns: 100, rare: 2}
  again:
    channels: {line: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 10 ms, points: 100k}
    compute: {mean: {of: line}}
"""
COUNT, GLITCH = 100_000, 43_210


def record(path: Path, *, glitch: bool) -> None:
    codes = np.where((np.arange(COUNT) // 500) % 2, 90, 10).astype(np.int8)
    if glitch:
        codes[GLITCH - 2 : GLITCH + 3] = (60, 75, 127, 110, 45)  # five cells: a path, and not noise
    wave = Waveform(codes, gain=0.04, interval=1e-7, name="line", code_range=(-128, 127))
    write_waveforms(path, {"line": wave})


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watch]:
    """Three records, the second of which has a sample that stands out."""
    folder = tmp_path_factory.mktemp("watched")
    (folder / "pulses.yaml").write_text(RECIPE, newline="\n")
    files: list[object] = []
    for number in range(3):
        record(folder / f"shot{number}.npz", glitch=number == 1)
        files += ["--file", f"shot{number}.npz"]
    with watching("pulses.yaml", *files, folder=folder) as started:
        started.folder = folder  # type: ignore[attr-defined]
        yield started


@pytest.fixture
def page(watch: Watch) -> Iterator[Page]:
    """A page that has the hand, with the recipe as it was in the beginning."""
    path = watch.folder / "pulses.yaml"  # type: ignore[attr-defined]
    with watch.page() as page:
        page.ask("hand", take=True)
        page.ask("run")
        path.write_text(f"{RECIPE}# for another test\n", newline="\n")
        page.until(lambda one: one["kind"] == "recipe" and one["text"] != RECIPE)
        path.write_text(RECIPE, newline="\n")
        recipe = page.until(lambda one: one["kind"] == "recipe" and one["text"] == RECIPE)
        page.until(lambda one: one["kind"] == "readings" and (one["shots"], one["revision"]) == (3, recipe["revision"]))
        yield page


FREQUENCY = "measurements.pulses.compute.frequency.limit"


def is_shot(wanted: tuple[str, float, int], one: dict[str, Any]) -> bool:
    return one["kind"] == "shot" and (one["kind"], one["span"], one["number"]) == wanted


def samples(page: Page, shot: dict) -> np.ndarray:
    """The binary message after a shot: lowest, highest and mean of each column, or the samples themselves."""
    while True:
        data = page.socket.recv(timeout=30)
        if isinstance(data, bytes):
            (trace,) = shot["traces"]
            rows = 1 if trace["is_whole"] else 3
            return np.frombuffer(data, "<f4").reshape(rows, trace["points"])


def test_a_sample_that_stands_out_is_in_every_picture(page: Page) -> None:
    # given the shot with the glitch, that `next` leads to
    page.ask("next", what="rare", **{"from": -1.0})
    found = page.until_kind("found")
    assert found["shot"] == 2
    assert found["start"] <= GLITCH * 1e-7 <= found["end"]
    # when it is seen as a whole, and closer and closer, then it is there
    for span, columns in ((1e-2, 300), (1e-3, 300), (1e-4, 50), (3e-6, 800)):
        page.ask("view", start=GLITCH * 1e-7 - span / 3, span=span, columns=columns)
        wanted = ("shot", span, 2)
        shot = page.until(partial(is_shot, wanted))
        assert np.nanmax(samples(page, shot)) == np.float32(127 * 0.04)


def test_readings_are_judged_as_a_run_of_that_many_shots_judges_them(page: Page) -> None:
    readings = next(one for one in reversed(page.heard) if one["kind"] == "readings" and one["shots"] == 3)
    assert readings["verdict"] == "pass"
    assert readings["rows"][0]["label"] == "frequency"
    earlier = [one["verdict"] for one in page.heard if one["kind"] == "readings" and one["shots"] < 3]
    assert "pass" not in earlier, "fewer shots than the recipe has do not pass"


def test_all_shots_are_counted_over_one_another(page: Page) -> None:
    density = next(one for one in reversed(page.heard) if one["kind"] == "density")
    assert (density["rows"], density["columns"]) == (32, 100)
    assert density["shots"] >= 1


def test_a_save_is_followed_and_faults_are_shown_at_their_lines(watch: Watch, page: Page) -> None:
    path = watch.folder / "pulses.yaml"  # type: ignore[attr-defined]
    path.write_text(RECIPE.replace("at most 20 kHz", "at most 20 kilo"))
    recipe = page.until(lambda one: one["kind"] == "recipe" and one["faults"])
    assert (recipe["faults"][0]["line"], recipe["from_outside"]) == (10, True)
    assert page.until_state("faulty")["message"].startswith("line 10")
    path.write_text(RECIPE.replace("at most 20 kHz", "at most 20 Hz"))
    assert page.until(lambda one: one["kind"] == "readings" and one["shots"] == 3)["verdict"] == "fail"


def test_a_nudge_is_written_measured_and_undone(watch: Watch, page: Page) -> None:
    path = watch.folder / "pulses.yaml"  # type: ignore[attr-defined]
    revision = page.heard[-1].get("revision") or max(one.get("revision", 0) for one in page.heard)
    page.ask("nudge", id=FREQUENCY, steps=2, revision=revision)
    recipe = page.until_kind("recipe")
    assert (recipe["undo"], recipe["redo"], recipe["from_outside"]) == (True, False, False)
    assert path.read_text() == RECIPE.replace("20 kHz", "20.4 kHz") == recipe["text"]
    page.ask("nudge", id=FREQUENCY, steps=1, revision=revision)
    page.until_said("meant for text")
    page.ask("undo")
    page.until(lambda one: one["kind"] == "recipe" and one["redo"])
    assert path.read_text() == RECIPE


def test_two_places_become_a_metric(watch: Watch, page: Page) -> None:
    places = [{"time": 5e-5, "channel": "line", "level": 2.0}, {"time": 10e-5, "channel": "line", "level": 2.0}]
    page.ask("add_metric", type="time_between", at=places)
    recipe = page.until(lambda one: one["kind"] == "recipe" and "time_between" in one["text"])
    assert "      time_between: {of: line, from: rising 2.00 V, to: falling 2.00 V}\n" in recipe["text"]
    readings = page.until(lambda one: one["kind"] == "readings" and len(one["rows"]) > 1)
    assert next(row for row in readings["rows"] if row["label"] == "time_between")["reading"].startswith("50.0")
    far = [{"time": 5e-5, "channel": "line", "level": 0.4}, {"time": 9e-5, "channel": "line", "level": 3.6}]
    page.ask("add_metric", type="level_difference", at=far)
    page.until(lambda one: one["kind"] == "recipe" and "amplitude: {of: line}" in one["text"])


def test_a_view_becomes_the_span(page: Page) -> None:
    page.ask("span_from_view", start=0.0, span=2e-3)
    recipe = page.until(lambda one: one["kind"] == "recipe" and "span: 2.00 ms" in one["text"])
    assert recipe["undo"]


def test_limits_need_that_many_shots(page: Page) -> None:
    page.ask("limits_from_last", shots=20)
    page.until_said("3 shots since the last change")


def test_the_reference_is_kept_and_forgotten(page: Page) -> None:
    page.ask("reference", keep=True)
    page.until(lambda one: one["kind"] == "shot" and any(trace["is_reference"] for trace in one["traces"]))
    page.ask("reference", keep=False)
    page.until(lambda one: one["kind"] == "shot" and not any(trace["is_reference"] for trace in one["traces"]))


def test_one_hand_at_a_time_and_the_others_watch(watch: Watch, page: Page) -> None:
    with watch.page() as other:
        assert other.until_kind("state")["hand"] == "other"
        other.ask("nudge", id=FREQUENCY, steps=1)
        other.until_said("another page has the hand")
        other.ask("hand", take=True)
        other.until_said("another page has the hand, and answers")
        other.ask("view", start=0.0, span=1e-3, columns=100)  # to look needs no hand
        other.until(lambda one: one["kind"] == "shot" and one["span"] == 1e-3)
        page.ask("hand", take=False)
        other.until(lambda one: one["kind"] == "state" and one["hand"] == "free")
        other.ask("hand", take=True)
        other.until(lambda one: one["kind"] == "state" and one["hand"] == "yours")
        page.until(lambda one: one["kind"] == "state" and one["hand"] == "other")


def test_nonsense_ends_no_connection(page: Page) -> None:
    for nonsense in ("", "{", '{"do": "nugde"}', json.dumps({"do": "edit", "id": FREQUENCY, "text": "x" * 500})):
        page.socket.send(nonsense)
        assert page.until_kind("said")["level"] == "refused"
    page.socket.send(b"\x00\x01")
    page.until_said("a message of bytes")
    page.ask("edit", id="measurements.none", text="8 V")
    page.until_said("has no number")


def test_strangers_are_refused(watch: Watch) -> None:
    with pytest.raises(InvalidStatus), watch.page(origin="https://elsewhere.example"):
        pass


@pytest.mark.parametrize(
    "arguments, status, said",
    [
        (["absent.yaml"], 3, "no such file"),
        (["bench.yaml", "--file", "shot0.npz"], 3, "this is a bench file"),
        (["pulses.yaml", "--file", "absent.npz"], 3, "absent.npz"),
        (["pulses.yaml", "--file", "shot0.npz", "--bench", "b.yaml"], 64, "a bench or stored records"),
        (["pulses.yaml", "--interval", "1 us"], 64, "without `--file`"),
    ],
)
def test_what_cannot_be_watched_is_said(watch: Watch, arguments: list[str], status: int, said: str) -> None:
    folder = watch.folder  # type: ignore[attr-defined]
    (folder / "bench.yaml").write_text("wavewright-bench: 1\ninstruments: {}\n")
    command = [sys.executable, "-m", "wavewright", "watch", *arguments, "--no-open"]
    ended = subprocess.run(command, check=False, cwd=folder, capture_output=True, text=True, timeout=60)
    assert (ended.returncode, "Traceback" in ended.stderr) == (status, False), ended.stderr
    assert said in ended.stderr
