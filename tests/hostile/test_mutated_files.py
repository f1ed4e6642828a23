"""Files that were damaged or made up: each is read or refused with a message of ours, and none takes for ever.

How many: 2000 of each kind, or as many as 20 s of processor time allow; ten times both with WAVEWRIGHT_PROOF=full.
"""

from __future__ import annotations

import json
import os
import random
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.cli.main import execute
from wavewright.errors import WavewrightError
from wavewright.instruments.replay import open_replay
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import export
from wavewright.logbook.formats.catalogue import read_waveforms, write_waveforms
from wavewright.logbook.intake import import_outcomes
from wavewright.running.checking import check_file
from wavewright.simulation.bench import build_bench
from wavewright.simulation.faults.plan import load_faults
from wavewright.waveform import Capture, Waveform

ROOT = Path(__file__).parents[2]
TIMES = 10 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 1
EACH, BUDGET = 2000 * TIMES, 20.0 * TIMES  # files, s of processor time
SLOWEST = 2.0  # s of processor time for one file: a bound against hanging
PIECES = (
    b"\x00", b"\xff\xfe", b"\r", b"\t", b"- ", b": ", b"{", b"[" * 50, b"&a ", b"*a", b"!!python/object:os.system ",
    b"1e308", b"-1e999", b"9" * 400, b"nan", b"\xe2\x80\xa8", b"\xc2\x85", b"\xf0\x9f\x94\xa7", b"\xed\xa0\x80",
    b"'", b'"',
    b"(a+)+b", b"null", b"true", b"2026-11-29", b"=1+1", b"\x1b[31m", b"%n", b"../" * 9, b"~",
)  # fmt: skip


def mutated(content: bytes, chance: random.Random) -> bytes:
    """The same with one to four things done to it."""
    data = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        at, size = chance.randrange(len(data) + 1), chance.choice((1, 1, 2, 8, 64, 512))
        match chance.randrange(6):
            case 0 if data:
                data[min(at, len(data) - 1)] ^= 1 << chance.randrange(8)
            case 1:
                del data[at : at + size]
            case 2:
                data[at:at] = chance.choice(PIECES)
            case 3:
                data[at:at] = data[max(0, at - size) : at]
            case 4:
                other = chance.randrange(len(data) + 1)
                data[at:at] = data[other : other + size]
            case _:
                data[at : at + 1] = chance.choice(PIECES)
    return bytes(data[:200_000])


def hold(
    kind: str, files: list[Path], read: Callable[[Path], object], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mutate the files again and again, and read each; tells how many were refused, and the slowest."""
    chance, counted, slowest = random.Random(kind), Counter[str](), (0.0, b"")
    begin = time.process_time()
    contents = [(path.name, path.read_bytes()) for path in files]
    for number in range(EACH):
        if time.process_time() - begin > BUDGET:
            break
        name, content = contents[number % len(contents)]
        path = folder / name
        path.write_bytes(mutated(content, chance))
        started = time.process_time()
        try:
            read(path)
            counted["read"] += 1
        except WavewrightError as fault:
            counted["refused" if str(fault).strip() else "refused without a word"] += 1
        slowest = max(slowest, (time.process_time() - started, path.read_bytes()))
        assert slowest[0] < SLOWEST, slowest[1][:2000]
    with capsys.disabled():
        print(
            f"\n{counted.total()} mutated {kind} files: {counted['refused']} refused, {counted['read']} read, ", end=""
        )
        print(f"the slowest in {slowest[0]:.2f} s")
    assert counted["refused"] > counted.total() / 20


def test_files_that_people_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small = [ROOT / "recipes" / name for name in ("rail_ripple.yaml", "enable_glitch.yaml", "supply_and_drive.yaml")]
    benches = [ROOT / "sim" / name for name in ("bench.yaml", "bench_grid.yaml")]
    profiles = sorted((ROOT / "src/wavewright/instruments/profiles").glob("*.yaml"))[:3]
    (tmp_path / "profiles").symlink_to(ROOT / "sim" / "profiles")
    hold("recipe, bench and profile", [*small, *benches, *profiles], check_file, tmp_path, capsys)


def test_boards_and_fault_files_of_the_simulation(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text(
        "wavewright-faults: 1\nfaults:\n  late: {instrument: meter, fault: delay, by: 2 s, at: READ, every: 3}\n"
        "  flip: {instrument: digitizer, fault: garble, count: 2, at: '^FETC', after: 1}\n",
        encoding="utf-8",
    )

    def read(path: Path) -> object:
        if path.name == faults.name:
            return load_faults(path, seed=1)
        return build_bench({"board": str(path), "seed": 1}, folder=tmp_path)

    (tmp_path / "mutated").mkdir()
    hold("board and fault", [ROOT / "sim" / "vc204.yaml", faults], read, tmp_path / "mutated", capsys)


def test_waveform_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    codes = np.random.default_rng(1).integers(-100, 100, 400).astype(np.int8)
    capture = Capture({"rail": Waveform(codes, gain=0.01, interval=1e-6, name="rail")})
    files = [tmp_path / f"good{suffix}" for suffix in (".csv", ".npz", ".h5", ".wav", ".dif")]
    for path in files:
        write_waveforms(path, capture)
    np.save(tmp_path / "good.npy", codes)
    (tmp_path / "mutated").mkdir()

    def read(path: Path) -> object:
        return [wave.values(0, min(len(wave), 5)) for wave in read_waveforms(path, interval=1e-6).values()]

    hold("waveform", [*files, tmp_path / "good.npy"], read, tmp_path / "mutated", capsys)


def test_wire_logs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recipe = str(ROOT / "recipes" / "rail_ripple.yaml")
    run = [
        "run",
        recipe,
        "--bench",
        str(ROOT / "sim/bench.yaml"),
        "--yes",
        "--no-logbook",
        "--out",
        str(tmp_path / "out"),
    ]
    execute(run)
    capsys.readouterr()
    (log,) = tmp_path.rglob("wire.log")
    hold("wire log", [log], open_replay, tmp_path, capsys)


def test_outcomes_to_be_imported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Logbook(tmp_path / "one.sqlite") as book:
        book.enter_all([replace(outcome(number), id="") for number in range(2)])
        export(book, tmp_path / "good.jsonl")
    (tmp_path / "mutated").mkdir()
    with Logbook(tmp_path / "other.sqlite") as book:
        hold(
            "import",
            [tmp_path / "good.jsonl"],
            lambda path: import_outcomes(book, path),
            tmp_path / "mutated",
            capsys,
        )
    # what was taken in can be shown
    with Logbook(tmp_path / "other.sqlite") as book, book.reading() as connection:
        entered = connection.exec_driver_sql("select id from outcomes").scalars().all()
    for identifier in entered[:10]:
        assert execute(["logbook", "show", identifier, "--json", "--logbook", str(tmp_path / "other.sqlite")]) in (
            0,
            1,
            2,
            3,
        )
        assert json.loads(capsys.readouterr().out)["id"] == identifier
