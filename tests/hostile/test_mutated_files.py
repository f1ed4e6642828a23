"""Files that were damaged or made up: each is read or refused with a message of ours, and none takes for ever.

How many: 2000 of each kind, fewer where one takes long, or as many as 20 s of processor time allow; ten times both with
WAVEWRIGHT_PROOF=full.
What is accepted is used as well: recipes are planned, waveforms measured, outcomes reported.
"""

from __future__ import annotations

import faulthandler
import itertools
import json
import os
import random
import re
import shutil
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.analysis.measure import measure
from wavewright.cli.main import execute
from wavewright.errors import BenchFault, WavewrightError
from wavewright.file_kinds import check_file
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.corrections import BenchCorrections
from wavewright.instruments.corrections_file import load_corrections
from wavewright.instruments.corrections_writing import write_corrections
from wavewright.instruments.loaded_code import loaded_code
from wavewright.instruments.replay import open_replay
from wavewright.instruments.setups import InputSetup
from wavewright.logbook.book import Logbook
from wavewright.logbook.exchange import export
from wavewright.logbook.formats.catalogue import read_stored, read_waveforms, write_waveforms
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.outcome_files import outcome_as_json, read_outcome
from wavewright.recipe.load import load_recipe
from wavewright.reporting.catalogue import write_report
from wavewright.running.outcome import Outcome
from wavewright.running.plan import plan
from wavewright.running.selection import select
from wavewright.running.stored_waveforms import read_played
from wavewright.simulation.bench import build_bench
from wavewright.simulation.disturbances.plan import load_faults
from wavewright.simulation.instrument_file import load_instruments
from wavewright.waveform import Capture, Waveform

ROOT = Path(__file__).parents[2]
TIMES = 10 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 1
EACH, FEW, BUDGET = 2000 * TIMES, 300 * TIMES, 20.0 * TIMES  # files, s of processor time
SLOWEST = 2.0  # s of processor time for one file: a bound against hanging
PIECES = (
    b"\x00", b"\xff\xfe", b"\r", b"\t", b"- ", b": ", b"{", b"[" * 50, b"&a ", b"*a", b"!!python/object:os.system ",
    b"1e308", b"-1e999", b"9" * 400, b"nan", b"\xe2\x80\xa8", b"\xc2\x85", b"\xf0\x9f\x94\xa7", b"\xed\xa0\x80",
    b"'", b'"',
    b"(a+)+b", b"null", b"true", b"2026-11-29", b"=1+1", b"\x1b[31m", b"%n", b"../" * 9, b"~",
)  # fmt: skip


VALUES = (
    "0", "-1", "1e308", "1e-320", "nan", "inf", "9" * 400, "0 V", "1e308 V ± 1e308 %", "2 V .. 1 V", "1 mHz", "1e300 s",
    "-5 s", "-5 %", "at most 40 mV", "''", "[]", "{}", "null", "true", "x", "[1, 2]", "{a: {b: 1}}", "[[[[[]]]]]",
    "12:30:45", "'(a+)+b'", "'(('", '"\\u2028"', '"\\e[31m"', '"\\0"', '"\\ud800"', "日本", "'{x}'", "'{0!r:>{w}}'",
    "&a [*a]", "!!set {a}", "|\n  x", "rising", "ac", "rail", "feed", "../../../x", "/dev/zero", "1 fs", "1e12",
    "100000000000", "'low_pass(rail, 1 mHz)'", "'rail + '", "'" + "(" * 300 + "'",
)  # fmt: skip
_VALUE = re.compile(r"(?<=[:,\[] )[^,{}\[\]\n#]+|(?<=\[)[^,{}\[\]\n#]+")


Way = Callable[[bytes, random.Random], bytes]


def other_values(content: bytes, chance: random.Random) -> bytes:
    """The same YAML with one or two of its values replaced, by hostile ones or by others of the file."""
    text = content.decode()
    for _ in range(chance.choice((1, 1, 2))):
        places = list(_VALUE.finditer(text))
        one, other = chance.choice(places), chance.choice(places)
        instead = chance.choice((chance.choice(VALUES), other.group()))
        text = text[: one.start()] + instead + text[one.end() :]
    return text.encode()


def other_json_values(content: bytes, chance: random.Random) -> bytes:
    """The same line of JSON with one to three of its values replaced, or taken out."""
    document = json.loads(content)
    for _ in range(chance.randint(1, 3)):
        holder, key = chance.choice(list(_places(document)))
        if chance.random() < 0.2:
            del holder[key]
        else:
            holder[key] = chance.choice(
                (None, True, -1, 1e308, 10**400, "", "x", "\u2028", "\ud800", "\x1b[31m", "pass", [], {}, [1], {"a": 1},
                 "2026-01-01", "0001-01-01T00:00:00+00:00", "at most 40 mV", [[[[]]]], "../../x", "x" * 5000, 2**63)
            )  # fmt: skip
    return json.dumps(document).encode()


def _places(document: Any) -> Iterator[tuple[Any, Any]]:
    inner = document.items() if isinstance(document, dict) else enumerate(document)
    for key, value in list(inner):
        yield document, key
        if isinstance(value, dict | list):
            yield from _places(value)


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


@pytest.fixture(autouse=True)
def _end_of_patience() -> Iterator[None]:
    """What hangs ends the process, and the traceback says where."""
    faulthandler.dump_traceback_later(600 * TIMES, exit=True)
    yield
    faulthandler.cancel_dump_traceback_later()


Hold = Callable[..., None]


@pytest.fixture
def hold(capsys: pytest.CaptureFixture[str]) -> Hold:
    """Mutates files again and again, and reads each; tells how many were refused, and the slowest."""

    def held(
        kind: str, files: list[Path], read: Callable[[Path], object], folder: Path, *ways: Way, number: int = EACH
    ) -> None:
        chance, counted, slowest = random.Random(kind), Counter[str](), (0.0, b"")
        begin = time.process_time()
        contents = [(path.name, path.read_bytes()) for path in files]
        for turn in range(number):
            if time.process_time() - begin > BUDGET:
                break
            name, content = contents[turn % len(contents)]
            path = folder / name
            mutant = chance.choice(ways)(content, chance)
            path.write_bytes(mutant)
            started = time.process_time()
            try:
                read(path)
                counted["read"] += 1
            except WavewrightError as fault:
                counted["refused" if str(fault).strip() else "refused without a word"] += 1
            slowest = max(slowest, (time.process_time() - started, mutant))
            assert slowest[0] < SLOWEST, slowest[1][:2000]
        with capsys.disabled():
            print(
                f"\n{counted.total()} mutated {kind} files: {counted['refused']} refused, {counted['read']} read, "
                f"the slowest in {slowest[0]:.2f} s"
            )
        assert counted["refused"] > counted.total() / 20
        assert counted["read"] > counted.total() / 100
        assert not counted["refused without a word"]

    return held


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    """The recipes and the simulated bench in a folder of their own, where mutated files find their neighbours."""
    shutil.copytree(ROOT / "recipes", tmp_path / "recipes")
    shutil.copytree(ROOT / "sim", tmp_path / "sim")
    shutil.copytree(ROOT / "src/wavewright/instruments/profiles", tmp_path / "profiles")
    return tmp_path


def planned(recipe: Path, bench: Path) -> object:
    """The plan of a recipe on a bench."""
    wanted = load_recipe(recipe)
    played = read_played(wanted, read_stored)
    chosen = select(wanted, load_bench(bench), played=played)
    return plan(wanted, chosen.profiles, attenuations=chosen.attenuations, played=played)


def test_recipes(scenario: Path, hold: Hold) -> None:
    (scenario / "mutated").mkdir()
    shutil.copy(scenario / "recipes" / "worn_contact.csv", scenario / "mutated")

    def read(path: Path) -> None:
        check_file(path)
        with suppress(BenchFault):  # sound, and more than this bench can do
            planned(path, scenario / "sim" / "bench.yaml")

    files = sorted((scenario / "recipes").glob("*.yaml"))
    hold("recipe", files, read, scenario / "mutated", mutated, other_values, number=1000 * TIMES)


def test_benches(scenario: Path, hold: Hold) -> None:
    def read(path: Path) -> None:
        check_file(path)
        assert list(loaded_code(load_bench(path)))

    files = sorted((scenario / "sim").glob("bench*.yaml"))
    hold("bench", files, read, scenario / "sim", mutated, other_values, number=500 * TIMES)


def test_profiles(scenario: Path, hold: Hold) -> None:
    bench = (scenario / "sim" / "bench.yaml").read_text(encoding="utf-8")
    (scenario / "mutated").mkdir()

    def read(path: Path) -> None:
        check_file(path)
        other = scenario / "sim" / "other.yaml"
        other.write_text(bench.replace(f"profile: {path.stem}", f'profile: "{path}"'), encoding="utf-8")
        with suppress(BenchFault):
            planned(ROOT / "recipes" / "supply_and_drive.yaml", other)

    files = [*sorted((scenario / "profiles").glob("*.yaml")), *sorted((scenario / "sim/profiles").glob("*.yaml"))]
    hold("profile", files, read, scenario / "mutated", mutated, other_values, number=500 * TIMES)


def test_files_of_corrections(tmp_path: Path, hold: Hold) -> None:
    good = tmp_path / "good.yaml"
    shutil.copy(ROOT / "tests/instruments/corrections.yaml", good)
    (tmp_path / "mutated").mkdir()
    identity = "Wavewright,Simulated digitizer,WD-0204,1.0"
    told = Waveform(np.zeros(4, np.int8), gain=0.03, interval=1e-9, name="rail")

    def read(path: Path) -> None:
        file, text = load_corrections(path)
        write_corrections(path, file.corrections)
        with suppress(BenchFault):  # sound, and of another instrument or probe now
            held = BenchCorrections(str(path), text, file).of_instrument("digitizer", identity, probes={1: "PB-0107"})
            held.applied(InputSetup(input=1, range=8.0, offset=2.0, attenuation=10.0)).corrected(told)

    hold("corrections", [good], read, tmp_path / "mutated", mutated, other_values)


def test_boards_and_fault_files_of_the_simulation(scenario: Path, hold: Hold) -> None:
    def read(path: Path) -> object:
        if path.name.startswith("vc204"):
            return build_bench({"board": str(path), "seed": 1}, folder=scenario)
        return load_faults(path, seed=1)

    files = [*sorted((scenario / "sim").glob("vc204*.yaml")), *sorted((scenario / "sim/faults").glob("*.yaml"))]
    (scenario / "mutated").mkdir()
    hold("board and fault", files, read, scenario / "mutated", mutated, other_values)


def test_instrument_files_of_the_simulation(scenario: Path, hold: Hold) -> None:
    bench = build_bench({"board": str(ROOT / "sim" / "vc204.yaml"), "seed": 1}, folder=scenario)

    def read(path: Path) -> object:
        return load_instruments(path, bench, {})

    files = sorted((scenario / "sim").glob("instruments*.yaml"))
    hold("instrument", files, read, scenario / "sim", mutated, other_values, number=FEW)


def test_waveform_files(tmp_path: Path, hold: Hold) -> None:
    codes = np.random.default_rng(1).integers(-100, 100, 400).astype(np.int8)
    capture = Capture({"rail": Waveform(codes, gain=0.01, interval=1e-6, name="rail")})
    files = [tmp_path / f"good{suffix}" for suffix in (".csv", ".npz", ".h5", ".wav", ".dif")]
    for path in files:
        write_waveforms(path, capture)
    np.save(tmp_path / "good.npy", codes)
    (tmp_path / "mutated").mkdir()

    def read(path: Path) -> None:
        for wave in read_waveforms(path, interval=1e-6).values():
            measure([wave], ["peak_to_peak", "mean", "frequency"])

    hold("waveform", [*files, tmp_path / "good.npy"], read, tmp_path / "mutated", mutated)


@pytest.fixture
def evidence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """The evidence folder of a run."""
    recipe, bench = ROOT / "recipes" / "rail_ripple.yaml", ROOT / "sim" / "bench.yaml"
    how = ["--yes", "--no-logbook", "--full-wire-log", "--out", str(tmp_path / "out")]
    execute(["run", str(recipe), "--bench", str(bench), *how])
    capsys.readouterr()
    (log,) = tmp_path.rglob("wire.log")
    return log.parent


def test_wire_logs(evidence: Path, tmp_path: Path, hold: Hold) -> None:
    hold("wire log", [evidence / "wire.log"], open_replay, tmp_path, mutated)


@pytest.mark.parametrize("name, way", [("outcome.json", other_json_values), ("captures.h5", mutated)])
def test_evidence_folders(evidence: Path, tmp_path: Path, hold: Hold, name: str, way: Way) -> None:
    turns = itertools.count()

    def read(path: Path) -> None:
        del path
        with Logbook(tmp_path / f"{next(turns)}.sqlite") as book:  # a run that a logbook has is not judged again
            import_outcomes(book, evidence)
        used(read_outcome(evidence), tmp_path)

    hold(f"{name} of evidence", [evidence / name], read, evidence, way, number=FEW)


def test_outcomes_to_be_imported(tmp_path: Path, hold: Hold) -> None:
    with Logbook(tmp_path / "one.sqlite") as book:
        for number in range(100):
            book.enter_all([replace(outcome(number), id="")])
    files = _one_each(tmp_path)
    (tmp_path / "mutated").mkdir()
    with Logbook(tmp_path / "other.sqlite") as book:

        def read(path: Path) -> object:
            return import_outcomes(book, path)

        hold("import", files, read, tmp_path / "mutated", mutated, other_json_values)
        with book.reading() as connection:
            entered = connection.exec_driver_sql("select id from outcomes").scalars().all()
        for identifier in entered:  # what was taken in can be shown, and goes out again
            used(book.outcome(identifier), tmp_path)
        export(book, tmp_path / "again.jsonl")
        export(book, tmp_path / "again.csv")
    with Logbook(tmp_path / "third.sqlite") as book:
        assert import_outcomes(book, tmp_path / "again.jsonl").new == len(entered) > 10


def _one_each(folder: Path) -> list[Path]:
    """Each run of the logbook in the folder as a file of its own."""
    with Logbook(folder / "one.sqlite") as book:
        export(book, folder / "all.jsonl")
    files = []
    for number, line in enumerate((folder / "all.jsonl").read_bytes().splitlines(keepends=True)):
        files.append(folder / f"good{number}.jsonl")
        files[-1].write_bytes(line)
    return files


def used(one: Outcome, folder: Path) -> None:
    """Show an outcome in every way that there is."""
    json.dumps(outcome_as_json(one))
    for suffix in ("html", "xml", "md"):
        write_report(one, folder / f"report.{suffix}")
