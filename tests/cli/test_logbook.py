"""`wavewright logbook`, `recompute` and `report`: from a run to its evidence years later."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from pathlib import Path

import h5py
import pytest

from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome
from tests.reporting.reported import RECIPE, reported
from wavewright.logbook.book import Logbook
from wavewright.logbook.packed_codes import read_codes

Command = Callable[..., Spoken]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "logbook.sqlite"
    with Logbook(path) as made:
        made.enter_all([outcome(0), outcome(1, value=0.045), outcome(2, value=None)])
        made.enter(reported())
    return path


def test_list_prints_one_json_array_newest_first(wavewright: Command, book: Path) -> None:
    told = wavewright("logbook", "list", "--logbook", book, "--json", "--most", 2)
    assert told.status == 0
    assert [run["verdict"] for run in told.json] == ["inconclusive", "fail"]
    assert set(told.json[0]) >= {"id", "started", "serial", "recipe", "part", "operator", "station"}


def test_a_url_names_a_logbook_too(wavewright: Command, book: Path) -> None:
    assert len(wavewright("logbook", "list", "--logbook", f"sqlite:///{book}", "--json").json) == 4


@pytest.mark.parametrize(
    "option, count", [(("--verdict", "fail"), 1), (("--serial", "VC204-00*"), 4), (("--since", "2027"), 0)]
)
def test_find_narrows(wavewright: Command, book: Path, option: tuple[str, str], count: int) -> None:
    since = ("--since", "2027-01-01") if option == ("--since", "2027") else option
    assert len(wavewright("logbook", "find", *since, "--logbook", book, "--json").json) == count


def test_a_verdict_that_is_none_is_wrong_usage(wavewright: Command, book: Path) -> None:
    told = wavewright("logbook", "find", "--verdict", "good", "--logbook", book)
    assert told.status == 64
    assert "expected: one of pass, inconclusive, fail, error" in told.stderr


def test_a_time_that_is_none_is_wrong_usage(wavewright: Command, book: Path) -> None:
    assert wavewright("logbook", "find", "--since", "monday", "--logbook", book).status == 64


def test_show_has_the_exit_status_of_the_verdict(wavewright: Command, book: Path) -> None:
    runs = wavewright("logbook", "list", "--logbook", book, "--json").json
    statuses = {run["verdict"]: wavewright("logbook", "show", run["id"], "--logbook", book).status for run in runs}
    assert statuses == {"pass": 0, "fail": 1, "inconclusive": 2, "error": 3}


def test_an_unknown_run_is_wrong_usage_with_what_to_do(wavewright: Command, book: Path) -> None:
    told = wavewright("logbook", "show", "1999", "--logbook", book)
    assert told.status == 64
    assert "do: `wavewright logbook list` shows them" in told.stderr


def test_trend_draws_and_tells(wavewright: Command, book: Path, tmp_path: Path) -> None:
    told = wavewright("logbook", "trend", "rail_noise.ripple", "--logbook", book, "--out", tmp_path / "trend.html")
    assert told.status == 0
    assert told.stdout.startswith("rail_noise.ripple: 3 readings, 1 failed")
    assert (tmp_path / "trend.html").stat().st_size < 400_000
    plain = wavewright("logbook", "trend", "rail_noise.ripple", "--logbook", book, "--json").json
    assert plain["unit"] == "V"
    assert plain["count"] == 3


def test_trend_takes_a_batch_and_draws_files(wavewright: Command, book: Path, tmp_path: Path) -> None:
    name = "rail_noise.ripple"
    assert "0 readings" not in wavewright("logbook", "trend", name, "--logbook", book).stdout
    assert (
        wavewright("logbook", "trend", name, "--logbook", book, "--batch-name", "lot-9").stdout
        == f"{name}: no readings\n"
    )
    wavewright("logbook", "trend", name, "--logbook", book, "--picture", tmp_path / "trend.svg")
    text = (tmp_path / "trend.svg").read_text(encoding="utf-8")
    assert "limit 40 mV" in text
    assert "time, UTC" in text


def test_export_and_import_carry_runs_over(wavewright: Command, book: Path, tmp_path: Path) -> None:
    assert wavewright("logbook", "export", tmp_path / "all.jsonl", "--logbook", book).stdout.endswith("4 runs\n")
    other = tmp_path / "other.sqlite"
    first = wavewright("logbook", "import", tmp_path / "all.jsonl", "--logbook", other)
    assert first.stdout == "4 runs entered, 0 already present\n"
    again = wavewright("logbook", "import", tmp_path / "all.jsonl", "--logbook", other)
    assert again.stdout == "0 runs entered, 4 already present\n"


def test_verify_exits_1_where_one_sample_was_changed(wavewright: Command, book: Path) -> None:
    assert wavewright("logbook", "verify", "--logbook", book).status == 0
    (file,) = book.with_name("logbook.sqlite.captures").rglob("*.h5")
    with h5py.File(file, "r+") as captures:
        codes = captures["shot_00000/rail"]
        rail = read_codes(codes).copy()
        rail[7] ^= 1
        del captures["shot_00000/rail"]
        captures["shot_00000/rail"] = rail  # whole and readable, packed or not
    told = wavewright("logbook", "verify", "--logbook", book, "--json")
    assert told.status == 1
    assert "have changed" in told.json["flaws"][0]["what"]


def test_verify_prints_the_head_and_takes_it_back(wavewright: Command, book: Path) -> None:
    told = wavewright("logbook", "verify", "--logbook", book)
    assert told.stdout.startswith(
        "checked 4 runs, 4 texts and 1 captures: all intact\nruns without a station: 5 links since "
    )
    (head,) = re.findall(r"head ([0-9a-f]{64})\n", told.stdout)
    assert wavewright("logbook", "verify", "--head", head, "--logbook", book).status == 0
    told = wavewright("logbook", "verify", "--head", "0" * 12, "--logbook", book)
    assert told.status == 1
    assert "no chain has the head 000000000000" in told.stdout
    assert wavewright("logbook", "verify", "--head", "head", "--logbook", book).status == 64


def test_verify_names_the_run_whose_verdict_was_forged(wavewright: Command, book: Path) -> None:
    with sqlite3.connect(book) as plain:
        plain.execute("update outcomes set verdict = 'pass' where verdict = 'fail'")
        (identifier,) = plain.execute("select id from outcomes where serial = 'VC204-0001'").fetchone()
    told = wavewright("logbook", "verify", "--logbook", book)
    assert told.status == 1
    assert f"run {identifier} says otherwise than its document: verdict pass, in the document fail" in told.stdout


def test_prune_counts_first_and_takes_with_yes(wavewright: Command, book: Path) -> None:
    would = wavewright("logbook", "prune", "--verdict", "fail", "--logbook", book)
    assert would.stdout.startswith("1 runs and 0 files of captures")
    assert "would be deleted" in would.stdout
    wavewright("logbook", "prune", "--verdict", "fail", "--logbook", book, "--yes")
    assert len(wavewright("logbook", "list", "--logbook", book, "--json").json) == 3


def test_prune_by_a_rule_keeps_runs_and_what_did_not_pass(wavewright: Command, book: Path, tmp_path: Path) -> None:
    rule = ("logbook", "prune", "--older-than", "1", "--out", tmp_path / "outcomes", "--logbook", book)
    assert "would be deleted" in wavewright(*rule).stdout
    assert wavewright(*rule, "--verdict", "fail", "--yes").status == 64
    assert wavewright(*rule, "--verdict", "pas", "--yes").status == 64
    assert wavewright("logbook", "verify", "--logbook", book, "--json").json["pruned"] == 0
    assert wavewright(*rule, "--yes").status == 0
    assert len(wavewright("logbook", "list", "--logbook", book, "--json").json) == 4
    told = wavewright("logbook", "verify", "--logbook", book)
    assert told.status == 0


def test_waveforms_come_out_for_other_programs(wavewright: Command, book: Path, tmp_path: Path) -> None:
    run = next(
        run for run in wavewright("logbook", "list", "--logbook", book, "--json").json if run["verdict"] == "error"
    )
    told = wavewright("logbook", "waveforms", run["id"], "--out", tmp_path, "--format", "npz", "--logbook", book)
    assert told.stdout.endswith("2 files\n")
    assert (tmp_path / "rail_noise-001.npz").exists()


def last_full(wavewright: Command, book: Path) -> str:
    runs = wavewright("logbook", "list", "--logbook", book, "--json").json
    return str(next(run["id"] for run in runs if run["verdict"] == "error"))


def test_recompute_gives_the_same_to_the_last_bit(wavewright: Command, book: Path) -> None:
    told = wavewright("recompute", last_full(wavewright, book), "--logbook", book)
    assert told.status == 0
    assert "the same to the last bit, 4 readings" in told.stdout


def test_recompute_with_other_limits_says_what_differs_and_why(wavewright: Command, book: Path, tmp_path: Path) -> None:
    tighter = tmp_path / "tighter.yaml"
    tighter.write_text(RECIPE.replace("at most 40 mV", "at most 20 mV").replace("high: {metric", "top: {metric"))
    told = wavewright("recompute", last_full(wavewright, book), "--recipe", tighter, "--logbook", book, "--json")
    assert told.status == 1
    (one,) = told.json
    differences = {each["name"]: each for each in one["differences"]}
    assert differences["rail_noise.ripple"]["why"] == "other limit, other verdict"
    assert differences["rail_noise.ripple"]["now"]["verdict"] == "fail"
    assert differences["rail_noise.high"]["why"] == "not in the recipe now"
    assert differences["rail_noise.top"]["was"] is None
    assert "rail_noise.ripple_tone" not in differences


def test_recompute_with_a_channel_that_was_not_captured(wavewright: Command, book: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(RECIPE.replace("rail:", "bus:").replace("of: rail", "of: bus"))
    told = wavewright("recompute", last_full(wavewright, book), "--recipe", other, "--logbook", book)
    assert told.status == 3
    assert "the captures of `rail_noise` have no channel `bus`" in told.stdout + told.stderr
    assert "expected: one of rail" in told.stdout + told.stderr


def test_recompute_all_goes_on_after_runs_without_captures(wavewright: Command, book: Path) -> None:
    told = wavewright("recompute", "--all", "--jobs", 2, "--logbook", book)
    assert told.status == 3
    assert "no captures of `rail_noise` were kept" in told.stdout
    assert told.stdout.splitlines()[-1] == "4 runs: 1 the same, 0 different, 3 not computed; 0 with another verdict"


def test_other_limits_alone_leave_the_readings_the_same(wavewright: Command, book: Path, tmp_path: Path) -> None:
    tighter = tmp_path / "tighter.yaml"
    tighter.write_text(RECIPE.replace("at most 40 mV", "at most 20 mV"))
    told = wavewright("recompute", "--all", "--jobs", 1, "--recipe", tighter, "--logbook", book)
    summary = told.stdout.splitlines()[-1]
    assert summary == (
        "4 runs: 0 the same, 1 the same readings under other limits, 0 different, 3 not computed; "
        "1 with another verdict"
    )


def test_recompute_wants_one_run_or_all(wavewright: Command, book: Path) -> None:
    assert wavewright("recompute", "--logbook", book).status == 64
    assert wavewright("recompute", "last", "--all", "--logbook", book).status == 64


@pytest.mark.parametrize("extension, start", [("html", "<!DOCTYPE html>"), ("xml", "<?xml"), ("md", "# VC-204")])
def test_a_report_of_one_run(wavewright: Command, book: Path, tmp_path: Path, extension: str, start: str) -> None:
    out = tmp_path / f"report.{extension}"
    told = wavewright("report", last_full(wavewright, book), "--out", out, "--logbook", book)
    assert told.status == 0
    assert out.read_text().startswith(start)


def test_filters_lead_to_the_newest_run(wavewright: Command, book: Path, tmp_path: Path) -> None:
    told = wavewright("report", "--verdict", "fail", "--out", tmp_path / "x.md", "--logbook", book)
    assert told.status == 0
    assert "**fail**" in (tmp_path / "x.md").read_text()
    none = wavewright("report", "--part", "VC-203", "--out", tmp_path / "y.md", "--logbook", book)
    assert none.status == 64
    assert "no run matches the filters" in none.stderr


def test_last_is_the_newest_run_of_the_station_that_is_asked_for(
    wavewright: Command, book: Path, tmp_path: Path
) -> None:
    # given stations whose runs are older than those without one
    with Logbook(book) as made:
        older = made.enter(outcome(-20, serial="VC204-0901"), station="line_1")
        made.enter(outcome(-10, serial="VC204-0902"), station="line_2")
    # when the last run of one is reported, and the trend and batch of it
    page = tmp_path / "last.md"
    told = wavewright("report", "last", "--station", "line_1", "--out", page, "--logbook", book)
    assert told.status == 0
    assert "VC204-0901" in page.read_text(encoding="utf-8"), older
    told = wavewright("report", "--batch", "--station", "line_2", "--out", tmp_path / "b.xml", "--logbook", book)
    assert "1 runs" in told.stdout
    told = wavewright("logbook", "trend", "rail_noise.ripple", "--station", "line_1", "--json", "--logbook", book)
    assert told.json["count"] == 1
    assert wavewright("report", "--operator", "nobody", "--out", page, "--logbook", book).status == 64
    told = wavewright("report", older, "--station", "line_2", "--out", page, "--logbook", book)
    assert (told.status, "names one run" in told.stderr) == (64, True)


def test_a_report_of_many_runs(wavewright: Command, book: Path, tmp_path: Path) -> None:
    told = wavewright("report", "--batch", "--out", tmp_path / "batch.html", "--logbook", book)
    assert told.stdout == f"wrote {tmp_path / 'batch.html'} (batch report, 4 runs)\n"
    assert re.search("First-pass yield", (tmp_path / "batch.html").read_text())


def test_a_report_wants_a_run(wavewright: Command, book: Path, tmp_path: Path) -> None:
    assert wavewright("report", "--out", tmp_path / "x.html", "--logbook", book).status == 64
    assert wavewright("report", "last", "--out", tmp_path / "x.docx", "--logbook", book).status == 64


READING_COMMANDS = [
    ("logbook", "list"), ("logbook", "find"), ("logbook", "show", "last"), ("logbook", "verify"), ("logbook", "prune"),
    ("logbook", "trend", "rail.ripple"), ("logbook", "export", "all.jsonl"),
    ("logbook", "waveforms", "last", "--out", "waves"),
    ("report", "last", "--out", "a.html"), ("report", "--batch", "--out", "a.html"),
    ("study", "capability", "rail.ripple"), ("study", "yield"), ("recompute", "last"),
]  # fmt: skip


@pytest.mark.parametrize("words", READING_COMMANDS, ids=" ".join)
def test_what_only_reads_makes_no_logbook(
    wavewright: Command, words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    told = wavewright(*words, "--logbook", "folder/typo.sqlite")
    assert told.status == 3
    assert told.stderr.count("there is no logbook here") == 1
    assert "folder/typo.sqlite" in told.stderr.replace("\\", "/")
    assert "do: check --logbook" in told.stderr
    assert list(tmp_path.iterdir()) == []


def test_waveforms_makes_its_folder(wavewright: Command, book: Path, tmp_path: Path) -> None:
    runs = wavewright("logbook", "list", "--logbook", book, "--json").json
    folder = tmp_path / "a" / "b"
    told = wavewright("logbook", "waveforms", runs[0]["id"], "--out", folder, "--logbook", book)
    assert (told.status, folder.is_dir()) == (0, True)
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    told = wavewright("logbook", "waveforms", runs[0]["id"], "--out", in_the_way / "c", "--logbook", book)
    assert told.status == 3
    assert "the folder cannot be made" in told.stderr
