"""`wavewright run --batch` on the simulated line."""

from __future__ import annotations

import _thread
import io
import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from tests.cli.conftest import Spoken
from wavewright.analysis.reading import Reading
from wavewright.errors import OutputMayBeOn
from wavewright.instruments.bench import Bench
from wavewright.logbook.book import Logbook
from wavewright.logbook.default_location import usual_logbook
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.line_notes import NoteKind, notes_in
from wavewright.logbook.verification import verify
from wavewright.reporting.big_word import HEIGHT, LETTERS, big_word

ROOT = Path(__file__).parents[2]
RUN = ("run", ROOT / "recipes" / "rail_ripple.yaml", "--bench", ROOT / "sim" / "bench_line.yaml", "--yes")
BENCH = ROOT / "sim/bench.yaml"
Command = Callable[..., Spoken]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_lot_from_a_file_ends_with_its_yield_and_capability(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("# lot 7\nVC204-0002\nVC204-0003\n\nVC204-0004\n")
    told = wavewright(*RUN, "--serials", "lot.txt", "--seed-from-serial", "--batch-name", "lot7")
    assert told.status == 0
    assert "first-pass yield: 100.0 % (3 of 3 units)" in told.stdout
    assert "rail_noise.ripple: mean" in told.stdout
    assert "Cpk" in told.stdout
    assert "3 of 3 runs passed" in told.stderr
    assert big_word("pass")[0] in told.stderr
    again = wavewright(*RUN, "--serials", "lot.txt", "--seed-from-serial", "--batch-name", "lot7")
    assert again.stderr.count("already passed in this batch") == 3
    assert len(wavewright("logbook", "find", "--batch-name", "lot7", "--json").json) == 3


def test_serial_numbers_come_from_whoever_types_or_scans(wavewright: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("VC204-0007\nwrong\n\nVC204-0008\n"))
    told = wavewright(*RUN, "--batch", "--serial-pattern", r"VC204-\d{4}", "--json")
    assert told.status == 0
    assert [run["serial"] for run in told.json["runs"]] == ["VC204-0007"]
    assert told.json["refused"] == [{"serial": "wrong", "why": r"does not match `VC204-\d{4}`"}]
    assert told.json["first_pass_yield"]["count"] == 1


def test_a_bad_lot_stops_and_fails(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("VC204-0001\nVC204-0002\nVC204-0003\n")
    faulty = ("--bench", ROOT / "sim" / "bench_faulty.yaml", "--yes")
    told = wavewright(*RUN[:2], *faulty, "--serials", "lot.txt", "--stop-after", 2)
    assert told.status == 1
    assert "failed: rail_noise.ripple in 2 runs" in told.stdout
    assert told.stdout.splitlines()[-1] == "stopped: 2 units in a row did not pass"
    assert "the batch stops: 2 units in a row did not pass" in told.stderr


def test_an_empty_lot_is_refused(wavewright: Command, folder: Path) -> None:
    (folder / "lot.txt").write_text("# nothing yet\n")
    told = wavewright(*RUN, "--serials", "lot.txt")
    assert told.status == 3
    assert told.stderr.strip().splitlines()[-2:] == ["lot.txt: no serial numbers", "  expected: one per line"]


def test_a_batch_wants_a_logbook(wavewright: Command) -> None:
    assert wavewright(*RUN, "--batch", "--no-logbook").status == 64


def test_every_verdict_can_be_written_large() -> None:
    for word in ("pass", "fail", "inconclusive", "error"):
        assert set(word.upper()) <= set(LETTERS)
        assert len(big_word(word)) == HEIGHT


POWERED = """
wavewright: 1
title: Rail under power
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, rate: 5 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 3.3 V}
    stimulus: [{supply: {voltage: 24 V, current_limit: 1 A, output: on}}]
    compute: {mean: {limit: 3.3 V ± 5 %}}
"""


def test_a_signal_in_a_unit_ends_the_batch_and_the_same_name_goes_on_with_it(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rail.yaml").write_text(POWERED)
    (tmp_path / "serials.txt").write_text("A1\nA2\nA3\n")
    words = ("run", "rail.yaml", "--bench", BENCH, "--yes", "--serials", "serials.txt", "--logbook", "book.sqlite")
    read, seen = Evidence.read, list[str]()

    def interrupted(self: Evidence, label: str, readings: Mapping[str, Reading]) -> None:
        read(self, label, readings)
        seen.append(label)
        if len(seen) == 2:
            _thread.interrupt_main(signal.SIGTERM)  # while the second unit is under power; readings come from a thread

    monkeypatch.setattr(Evidence, "read", interrupted)
    told = wavewright(*words, "--batch-name", "lot-7", "--json")
    assert told.status == 3
    assert [(run["serial"], run["verdict"]) for run in told.json["runs"]] == [("A1", "pass"), ("A2", "error")]
    assert told.json["stopped"] == "interrupted by SIGTERM"
    assert told.stderr.strip().splitlines()[-1].endswith("the same command with --batch-name lot-7 resumes it")
    assert len(seen) == 2, "the third unit was not powered up"
    again = wavewright(*words, "--batch-name", "lot-7", "--json")
    assert again.status == 0
    assert [run["serial"] for run in again.json["runs"]] == ["A1", "A2", "A2", "A3"]


def test_an_output_that_may_be_on_is_told_first_and_last_and_ends_the_batch(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rail.yaml").write_text(POWERED)
    (tmp_path / "serials.txt").write_text("A1\nA2\n")

    def stuck(bench: Bench, **how: object) -> None:
        raise OutputMayBeOn("its output could not be confirmed off", where="supply", do="switch it off by hand")

    monkeypatch.setattr(Bench, "safe_state", stuck)
    words = ("run", "rail.yaml", "--bench", BENCH, "--yes", "--logbook", "book.sqlite")
    one = wavewright(*words, "--json")
    assert one.status == 3
    assert one.json["verdict"] == "error"
    assert one.json["folder"].startswith("outcomes")
    assert one.json["measurements"][0]["results"][0]["reading"]["value"] == pytest.approx(3.3, rel=0.05)
    assert one.stderr.count("supply: its output could not be confirmed off") == 2
    assert one.stderr.strip().endswith("do: switch it off by hand")
    table = wavewright(*words)
    assert "verdict: error" in table.stdout
    assert "evidence in outcomes" in table.stdout
    lot = wavewright(*words, "--serials", "serials.txt", "--batch-name", "lot-8", "--json")
    assert lot.status == 3
    assert [(run["serial"], run["verdict"]) for run in lot.json["runs"]] == [("A1", "error")]
    assert "the batch stops: supply: its output could not be confirmed off" in lot.stderr
    assert "do: switch it off by hand" in lot.stderr


@pytest.mark.parametrize(
    "serial, why",
    [
        ("Pr\udcfcf-1", "has bytes that are not UTF-8"),
        ("a\x1b[31m", "has the control character U+001B"),
        ("A" * 255, "is 255 bytes long, and 208 is the most"),
        ("\ufeffVC204-0017", "has the invisible character U+FEFF"),
        ("VC204-\u202e7100", "has the invisible character U+202E"),
        ("VC204-0017 ", "has a blank at its beginning or end"),
    ],
    ids=["not UTF-8", "control character", "too long", "byte order mark", "turned around", "blank"],
)
def test_what_cannot_be_stored_is_refused_before_the_first_message(
    serial: str, why: str, tmp_path: Path, wavewright: Command, libraries: list[object]
) -> None:
    (tmp_path / "rail.yaml").write_text(POWERED)
    told = wavewright("run", "rail.yaml", "--bench", BENCH, "--yes", "--serial", serial, "--logbook", "book.sqlite")
    assert told.status == 64
    assert why in told.stderr
    assert "\x1b" not in told.stderr
    assert libraries == []
    assert not (tmp_path / "outcomes").exists()


def test_v_says_each_step_and_nothing_of_other_libraries(tmp_path: Path) -> None:
    (tmp_path / "rail.yaml").write_text(POWERED)
    for level in ("-v", "-vv"):
        words = [sys.executable, "-m", "wavewright", level, "run", "rail.yaml", "--bench", str(BENCH), "--yes"]
        done = subprocess.run([*words, "--no-logbook"], cwd=tmp_path, capture_output=True, text=True, check=True)
        logged = [line for line in done.stderr.splitlines() if line.startswith(("INFO", "DEBUG", "WARNING"))]
        if level == "-v":  # each step with its instant
            assert not logged
            stamped = (
                re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} (.*)", line) for line in done.stderr.splitlines()
            )
            steps = [found[1] for found in stamped if found]
        else:
            assert all(line.split()[1].startswith("wavewright.") for line in logged)
            steps = [
                line.split(": ", 1)[1] for line in logged if line.startswith("INFO wavewright.running.run_context")
            ]
        assert "rail: setting the digitizer" in steps
        assert "rail: shot 1 of 1" in steps


ASKING = """\
wavewright: 1
title: what a batch asks
ask:
  work_order: {about: Work order, pattern: "WO-[0-9]{6}", once: batch}
  firmware: {about: Firmware, pattern: "[0-9.]+"}
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, points: 1k}
    compute: {level: {metric: mean, of: rail, limit: at least 1 V}}
"""


def test_a_batch_asks_once_for_the_batch_and_then_for_each_unit(
    wavewright: Command, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "asking.yaml").write_text(ASKING)
    run = ("run", "asking.yaml", "--bench", BENCH, "--batch", "--batch-name", "lot")

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    # given a work order that is mistyped first; then serial number and firmware of each of two units
    typed = "WO-1\nWO-000123\nVC204-0002\n1.07\nVC204-0003\n1.08\n\n"
    monkeypatch.setattr("sys.stdin", Terminal(typed))
    told = wavewright(*run)
    assert told.status == 0
    assert told.stderr.count("Work order (a text that matches `WO-[0-9]{6}`): ") == 2
    assert "`WO-1` does not match" in told.stderr
    found = wavewright("logbook", "find", "--where", "work_order=WO-000123", "--json").json
    assert [run["serial"] for run in found] == ["VC204-0003", "VC204-0002"]
    assert len(wavewright("logbook", "find", "--where", "firmware=1.07", "--json").json) == 1
    # when the batch is resumed, then its work order is taken from it, and only the unit's field is asked
    monkeypatch.setattr("sys.stdin", Terminal("VC204-0004\n1.09\n\n"))
    told = wavewright(*run)
    assert "work_order: WO-000123, as before in batch lot" in told.stderr
    assert "Work order (" not in told.stderr
    # a person may change it on the command line, which is said, noted and kept from there on
    monkeypatch.setattr("sys.stdin", Terminal("VC204-0005\n1.09\n\n"))
    told = wavewright(*run, "--answer", "work_order=WO-000124", "--operator", "R. Okafor")
    assert "work_order: WO-000124 from here on; it was WO-000123 in batch lot until now" in told.stderr
    monkeypatch.setattr("sys.stdin", Terminal("VC204-0006\n1.09\n\n"))
    told = wavewright(*run)
    found = wavewright("logbook", "find", "--where", "work_order=WO-000124", "--json").json
    assert [run["serial"] for run in found] == ["VC204-0006", "VC204-0005"]
    with Logbook(usual_logbook()) as book:
        noted = notes_in(book, NoteKind.DECLARED)
        assert [(note.operator, note.says["before"]) for note in noted] == [
            ("", {}), ("R. Okafor", {"work_order": "WO-000123"}),
        ]  # fmt: skip
        assert verify(book).flaws == ()
    # another batch, another station, or an answer that the recipe no longer takes, is asked again
    (folder / "asking.yaml").write_text(ASKING.replace("WO-[0-9]{6}", "WO-[0-9]{7}"))
    for other in (("--station", "line_2"), ("--batch-name", "lot-8"), ()):
        monkeypatch.setattr("sys.stdin", Terminal("WO-0000123\n\n"))
        assert "Work order (" in wavewright(*run, *other).stderr
    (folder / "asking.yaml").write_text(ASKING)
    run = (*run[:-1], "lot-9")
    # and where nobody can be asked, nothing begins: not even what could be asked later is left open
    monkeypatch.setattr("sys.stdin", io.StringIO("VC204-0004\n"))
    for how in ((), ("--yes",)):
        told = wavewright(*run, "--answer", "work_order=WO-000123", *how)
        assert told.status == 64
        assert "no answer is given to `firmware` (Firmware)" in told.stderr
        assert "VC204-0004" not in told.stderr


LINE = """\
stop_when: {drift: {of: rail_noise.ripple, chart: {centre: 30 mV, sigma: 3 mV}, rules: shewhart, then: call}}
retest: {at_most: 1, when: [fail], verdict: last}
quarantine: [not passed after retests]
golden: {every: 8 h, units: {VC204-9001: {expect: {rail_noise.ripple: 30 mV ± 10 mV}}}}
measurements:
"""


def test_a_batch_with_all_that_a_recipe_says_of_the_line(
    wavewright: Command, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (ROOT / "recipes" / "rail_ripple.yaml").read_text(encoding="utf-8")
    (folder / "rail.yaml").write_text(text.replace("measurements:\n", LINE), encoding="utf-8")
    run = (
        "run", folder / "rail.yaml", "--bench", ROOT / "sim" / "bench_line.yaml", "--seed-from-serial", "--draw", 7,
        "--station", "line_1", "--operator", "R. Okafor", "--batch-name", "lot-7", "--json",
    )  # fmt: skip
    # given scanned units, the first of which is another one in place of the golden unit, and one that fails
    scanned = ["VC204-0002", "VC204-0003", "VC204-9001", "", "VC204-0013", "", "VC204-9001", ""]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(scanned)))
    told = wavewright(*run, "--batch", "--tell-file", folder / "told.jsonl")
    # then the golden unit is asked for until it is scanned
    assert "GOLDEN UNIT: put in VC204-9001, known to be good; it was never measured" in told.stderr
    assert "VC204-0003 is another unit: put in VC204-9001" in told.stderr
    assert "golden unit VC204-9001: as expected (passed)" in told.stderr
    assert [one["serial"] for one in told.json["runs"]] == ["VC204-0002"]
    # and whoever is told of outcomes hears of it too, marked as what it is
    heard = [json.loads(line) for line in (folder / "told.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [(one["serial"], one["batch"], one.get("golden")) for one in heard] == [
        ("VC204-9001", "golden", "good"), ("VC204-0002", "lot-7", None),
    ]  # fmt: skip
    monkeypatch.setattr("sys.stdin", io.StringIO("VC204-0013\n\n\n\n\n\n"))
    told = wavewright(*run, "--batch", "--yes")
    assert told.status == 1
    runs = [(one["serial"], one["verdict"]) for one in told.json["runs"]]
    assert runs == [("VC204-0002", "pass"), ("VC204-0013", "fail"), ("VC204-0013", "fail")]
    assert (told.json["first_pass_yield"]["count"], told.json["final_yield"]["count"]) == (1, 1)
    assert [call["serials"] for call in told.json["calls"]] == [["VC204-0013"]]
    assert "VC204-0013: in quarantine: fail after 1 retests" in told.stderr
    # and every later run needs a word, and its report says so
    (folder / "lot.txt").write_text("VC204-0013\nVC204-9001\n")
    again = wavewright(*run, "--yes", "--serials", "lot.txt")
    assert [one["why"].split(" since")[0] for one in again.json["refused"]] == [
        "is in quarantine", "is a golden unit, and not one of the batch",
    ]  # fmt: skip
    ordered = wavewright(*run, "--yes", "--serials", "lot.txt", "--retest-anyway", "--quarantined-anyway")
    assert len(ordered.json["runs"]) == 4
    assert "VC204-0013: fail in retest 2, the unit is in quarantine" in ordered.stderr
    shown = wavewright("report", "last", "--out", folder / "last.md")
    assert shown.status == 0
    page = (folder / "last.md").read_text(encoding="utf-8")
    assert "- retest: number 2 after run " in page
    assert "- in quarantine: when it was run: since " in page
    assert "all intact" in wavewright("logbook", "verify").stdout
