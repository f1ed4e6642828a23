"""The memory of a worker goes with its largest record: one of 20 million samples among small ones.

The figures are those of the guide (production-line): times the size of the record, 1 byte per sample. With
WAVEWRIGHT_PROOF=full there is an edge every 16 samples and a character every 80, as dense as it gets.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from tests.archive.made_archive import run
from tests.archive.said_files import bits
from tests.archive.weighed import Weighed
from wavewright.archive.answer import ItemAnswer
from wavewright.archive.decoded_files import DecodedFiles
from wavewright.archive.density_files import DensityFiles
from wavewright.archive.measured_files import MeasuredFiles
from wavewright.archive.query import Query
from wavewright.archive.recognised_files import RecognisedFiles
from wavewright.archive.recomputed_runs import RecomputedRuns
from wavewright.archive.workers import Processes
from wavewright.logbook.book import Logbook
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.logbook.queries import run_ids
from wavewright.waveform import Waveform

pytestmark = pytest.mark.posix("reads /proc")

FULL = os.environ.get("WAVEWRIGHT_PROOF") == "full"
SAMPLES, PER_BIT = 20_000_000, 8 if FULL else 200
RATE = 2_000_000  # 1/s
AT_MOST: Mapping[str, float] = (
    {"measure": 9.0, "decode": 14.0, "look": 17.0, "density": 2.0}
    if FULL
    else {"measure": 1.0, "decode": 1.5, "density": 2.0}  # a look takes seconds of such a record
)
KEPT = 6.0  # times the record that may stay with the allocator afterwards


def record(samples: int) -> Waveform:
    """A line on which the same is said again and again."""
    sent = np.array(bits("VC-204 ok, " * 20))
    codes = np.resize(np.repeat(np.where(sent == 1, 100, -100).astype(np.int8), PER_BIT), samples)
    return Waveform(codes, gain=0.01, interval=1 / RATE, name="tx", code_range=(-128, 127))


def weighed(query: Query, items: list[str]) -> list[tuple[int, int]]:
    """For each item the memory before it and the most of it, bytes, in one worker."""
    with Processes(1).answers(Weighed(query), iter(items)) as answers:
        found = [ItemAnswer.read(one.text) for one in answers]
    assert not [one.fault for one in found if one.fault]
    return [(one.document[0], one.document[1]) for one in found]


@pytest.fixture(scope="module")
def pile(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Two small records, the large one, and a small one."""
    folder = tmp_path_factory.mktemp("pile")
    paths = []
    for number, samples in enumerate((50_000, 50_000, SAMPLES, 50_000)):
        paths.append(str(folder / f"record{number}.npz"))
        write_waveforms(paths[-1], {"tx": record(samples)})
    return paths


@pytest.mark.parametrize("name", AT_MOST)
def test_a_large_record_among_small_ones_takes_this_many_times_its_size(name: str, pile: list[str]) -> None:
    queries: dict[str, Query] = {
        "measure": MeasuredFiles(("rms", "rise_time", "frequency", "overshoot")),
        "decode": DecodedFiles("uart", (("tx", "tx"),), (("baud", str(RATE / PER_BIT)),)),
        "look": RecognisedFiles(),
        "density": DensityFiles.of_first([pile[2]], channel=1, interval=None),
    }
    found = weighed(queries[name], pile)
    before, most = found[2]
    print(f"{name}: {(most - before) / SAMPLES:.2f} times the record")  # with -s, for the guide
    assert (most - before) / SAMPLES <= AT_MOST[name]
    assert (found[3][0] - before) / SAMPLES <= KEPT


def test_a_run_with_a_large_capture_takes_no_more_than_its_codes(tmp_path: Path) -> None:
    where = tmp_path / "line.sqlite"
    with Logbook(where) as book:
        book.enter_all([run(0), run(1), run(2, samples=SAMPLES // 2), run(3)])  # two channels
        ids = run_ids(book)
    found = weighed(RecomputedRuns(str(where)), ids)
    largest = max(most - before for before, most in found)
    print(f"recompute: {largest / SAMPLES:.2f} times the capture")
    assert 0.3 < largest / SAMPLES <= 1.5
    assert (found[-1][0] - found[0][0]) / SAMPLES <= KEPT
