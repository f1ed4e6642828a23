"""Speed of `watch`: from the command to the first picture, pictures a second, from a save to its picture.

`python -m tests.benchmarks.test_watch_speed` starts the real command on the simulated bench, in its own process and
behind sockets, and is the page itself. Beside it stands what the program alone needs for a shot, evaluated, drawn and
packed: the difference is the bench's. How quick the simulation is limits the other figures.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.pages.command_watched import ROOT, Page, watching
from wavewright.pages.protocol import ShotMessage
from wavewright.pages.seen_shots import SeenShots
from wavewright.pages.view_picture import view_picture, whole_view
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.recipe import Recipe
from wavewright.running.shot import ExaminedShot
from wavewright.simulation.server.serving import BenchServer
from wavewright.waveform import Capture, Waveform

RECIPE = """\
wavewright: 1
title: How quick
measurements:
  rail:
    channels: {{rail: {{input: 1, range: 8 V, offset: 2 V}}}}
    timebase: {{span: {span}, points: {points}}}
    trigger: {{mode: auto, level: 3.3 V}}
    compute:
      mean: {{of: rail, limit: 3.3 V ± 5 %}}
      peak_to_peak: {{of: rail}}
"""
RECORDS = (("100k", "2 ms"), ("1M", "20 ms"))
SECONDS = 4.0
LEVEL = "measurements.rail.trigger.level"


def record(points: int) -> Waveform:
    """A rail with noise, as 8-bit codes."""
    codes = np.random.default_rng(1).integers(20, 60, points).astype(np.int8)
    return Waveform(codes, gain=1 / 32, offset=2.0, interval=2e-8, name="rail", code_range=(-128, 127))


def recipe_of(points: str, span: str) -> Recipe:
    return parse_recipe(RECIPE.format(points=points, span=span), "speed.yaml")


def message_of(seen: SeenShots, wave: Waveform, *, columns: int = 1200) -> int:
    """One shot as it goes to a page; its size in bytes."""
    (measurement,) = (seen.measurement,)
    shown = seen.add(ExaminedShot(Capture({"rail": wave}), measurement))
    waves = shown.waves()
    view = whole_view(waves, columns)
    picture = view_picture(waves, view, title="shot", marks=shown.marks())
    message = ShotMessage(
        simulated=True, measurement="rail", number=1, of=1, columns=columns, start=view.start, span=view.span,
        traces=(), picture=picture.as_document(has_samples=False), revision=1,
    )  # fmt: skip
    return len(message.as_json().encode()) + len(picture.samples())


def test_a_picture_is_no_larger_for_a_longer_record() -> None:
    sizes = []
    for points in (50_000, 1_000_000):
        recipe = recipe_of("100k", "2 ms")
        sizes.append(message_of(SeenShots(recipe, recipe.measurements[0]), record(points)))
    assert sizes[1] <= 1.05 * sizes[0]
    assert max(sizes) < 30_000


def alone(points: str, span: str) -> float:
    """Shots a second of the program without any bench."""
    recipe = recipe_of(points, span)
    seen = SeenShots(recipe, recipe.measurements[0])
    wave = record(100_000 if points == "100k" else 1_000_000)
    took = []
    for _ in range(30):
        begin = time.perf_counter()
        message_of(seen, wave)
        took.append(time.perf_counter() - begin)
    return 1 / statistics.median(took)


def watched(bench: Path, points: str, span: str, folder: Path) -> str:
    """A row of the table."""
    (folder / "speed.yaml").write_text(RECIPE.format(points=points, span=span))
    begin = time.monotonic()
    with watching("speed.yaml", "--bench", bench, folder=folder) as watch, watch.page() as page:
        page.until_kind("shot")
        first = time.monotonic() - begin
        pictures, shots = rates(page)
        saves = [save_to_picture(page, steps) for steps in (1, -1, 1, -1, 1)]
        return f"{first:6.2f} s {pictures:9.1f} {shots:9.1f} {1000 * statistics.median(saves):9.0f} ms"


def rates(page: Page) -> tuple[float, float]:
    """Pictures and shots a second."""
    begin, numbers = time.monotonic(), list[int]()
    while time.monotonic() - begin < SECONDS:
        numbers.append(page.until_kind("shot")["number"])
    took = time.monotonic() - begin
    return len(numbers) / took, (numbers[-1] - numbers[0]) / took


def save_to_picture(page: Page, steps: int) -> float:
    """From a change of the trigger's level to the first picture that was taken with it, s."""
    begin = time.monotonic()
    page.ask("nudge", id=LEVEL, steps=steps)
    revision = page.until_kind("recipe")["revision"]
    page.until(lambda one: one["kind"] == "shot" and one["revision"] == revision)
    return time.monotonic() - begin


def main() -> None:
    """Print the table."""
    print(f"{'bench':<12} {'samples':>8} {'first':>8} {'pictures/s':>11} {'shots/s':>9} {'save to picture':>12}")
    with tempfile.TemporaryDirectory() as name, BenchServer(ROOT / "sim/bench.yaml", seed=1) as server:
        folder = Path(name)
        server.write_bench(folder / "live.yaml")
        for bench, path in (("in process", ROOT / "sim/bench.yaml"), ("by sockets", folder / "live.yaml")):
            for points, span in RECORDS:
                print(f"{bench:<12} {points:>8} {watched(path, points, span, folder)}", flush=True)
    for points, span in RECORDS:
        print(f"{'none':<12} {points:>8} {'':>8} {alone(points, span):>11.1f}")


if __name__ == "__main__":
    sys.exit(main())
