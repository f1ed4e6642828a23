"""A feed of `watch` on the disk, for whoever works on the page: `python -m tests.pages.recorded_feed FOLDER`.

It starts the real command on a record of this file's own, does what a person does, and writes `feed.jsonl`: one line
per message, as it came; a binary message is `{"binary": BASE64}`.
"""

from __future__ import annotations

import asyncio
import base64
import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import websockets

from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

ROOT = Path(__file__).parents[2]
RECIPE = """\
wavewright: 1
title: Is the 3.3 V rail quiet?   # a comment that stays
measurements:
  rail_noise:
    place: Probe 1 on TP3 with the short ground spring.
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x}
    timebase: {span: 2 ms, rate: 25 MHz}
    compute:
      ripple: {metric: peak_to_peak, limit: at most 40 mV}
      tone: {metric: strongest_tone, limit: 340 kHz ± 5 %}
    persistence: {rows: 64, columns: 200}
"""
ASKED = (
    {"do": "nudge", "id": "measurements.rail_noise.compute.ripple.limit", "steps": 3},
    {"do": "edit", "id": "measurements.rail_noise.compute.tone.limit#0", "text": "350 kHz"},
    {"do": "edit", "id": "measurements.rail_noise.compute.tone.limit#0", "text": "350 kilos"},
    {"do": "undo"},
    {"do": "view", "start": 0.79e-3, "span": 20e-6, "columns": 800},
    {"do": "nugde"},
)


def record(path: Path) -> None:
    """A rail with a ripple, and one sample that stands out."""
    times = np.arange(50_000) * 40e-9
    volts = 0.015 * np.sin(2 * np.pi * 340e3 * times) + np.random.default_rng(1).normal(0, 1e-3, times.size)
    volts[20_001] = 0.045
    write_waveforms(path, {"rail": Waveform.from_volts(volts, interval=40e-9, name="rail")})


async def heard(address: str) -> list[str]:
    """What a page hears that asks for all of `ASKED`, and whose file is broken and mended by somebody else."""
    lines: list[str] = []
    origin = "/".join(address.split("/")[:3])
    async with websockets.connect(f"ws{address[4:]}live", origin=origin, max_size=None) as socket:
        for one in (*ASKED, None):
            if one is not None:
                await socket.send(json.dumps(one))
            try:
                while True:
                    message = await asyncio.wait_for(socket.recv(), 0.7)
                    is_text = isinstance(message, str)
                    lines.append(
                        message if is_text else json.dumps({"binary": base64.b64encode(message).decode()})  # type: ignore[arg-type]
                    )
            except TimeoutError:
                continue
    return lines


def main(folder: Path) -> None:
    """Write the feed."""
    folder.mkdir(parents=True, exist_ok=True)
    recipe, trace = folder / "rail.yaml", folder / "trace.npz"
    recipe.write_text(RECIPE)
    record(trace)
    command = [sys.executable, "-m", "wavewright", "watch", recipe, "--file", trace, "--no-open"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        found = re.search(r"http\S+", process.stdout.readline())
        assert found is not None
        lines = asyncio.run(heard(found.group()))
        process.terminate()
    (folder / "feed.jsonl").write_text("\n".join(lines) + "\n")
    print(f"{len(lines)} messages in {folder / 'feed.jsonl'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
