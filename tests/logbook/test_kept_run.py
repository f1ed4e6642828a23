"""A run whose evidence is kept, also where it ends badly."""

from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.errors import BenchFault, Misuse, OutputMayBeOn
from wavewright.instruments.bench import Bench
from wavewright.instruments.bench_file import load_bench
from wavewright.logbook.book import Logbook
from wavewright.logbook.kept_run import run
from wavewright.logbook.outcome_files import read_outcome
from wavewright.logbook.queries import entries
from wavewright.running.bench_lock import addresses, bench_lock
from wavewright.running.outcome import Outcome

ROOT = Path(__file__).parents[2]
RECIPE, BENCH = ROOT / "recipes" / "rail_ripple.yaml", ROOT / "sim" / "bench.yaml"


def test_a_run_is_in_the_folder_and_in_the_logbook(tmp_path: Path) -> None:
    outcome = run(RECIPE, bench=BENCH, out=tmp_path / "outcomes", logbook=tmp_path / "book.sqlite", station="line 2")
    assert outcome.folder is not None
    with Logbook(tmp_path / "book.sqlite") as book:
        (entry,) = entries(book)
        assert (entry.id, entry.verdict, entry.station) == (outcome.id, "pass", "line 2")
        assert book.outcome(entry.id)["rail_noise.ripple"] == read_outcome(outcome.folder)["rail_noise.ripple"]


def test_what_was_measured_is_kept_where_an_output_may_be_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stuck(bench: Bench, **how: object) -> None:
        raise OutputMayBeOn("its output could not be confirmed off", where="supply", do="switch it off by hand")

    monkeypatch.setattr(Bench, "safe_state", stuck)
    with pytest.raises(OutputMayBeOn, match="switch it off by hand") as caught:
        run(RECIPE, bench=BENCH, out=tmp_path / "outcomes", logbook=tmp_path / "book.sqlite")
    assert isinstance(caught.value.outcome, Outcome)
    (folder,) = (tmp_path / "outcomes").iterdir()
    kept = read_outcome(folder)
    assert kept.verdict == "error"
    assert "could not be confirmed off" in kept.error
    assert kept["rail_noise.ripple"].value is not None
    assert len(kept.captures["rail_noise"]) == 1
    with Logbook(tmp_path / "book.sqlite") as book:
        assert [entry.verdict for entry in entries(book)] == ["error"]


def test_a_bench_in_use_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    real = tmp_path / "real.yaml"
    text = "".join(line for line in BENCH.read_text().splitlines(True) if not line.startswith("simulation:"))
    real.write_text(text.replace("instruments.yaml@sim", "@py"))
    with (
        bench_lock(addresses(load_bench(real)), what="another"),
        pytest.raises(BenchFault, match=r"in use by process \d+ on .* \(another, since"),
    ):
        run(RECIPE, bench=real, out=tmp_path / "outcomes", patience=0)
    assert not (tmp_path / "outcomes").exists()


def test_nobody_waits_for_another_ones_simulated_bench(tmp_path: Path) -> None:
    """Twenty people on one machine each have a bench of their own, since each program simulates it for itself."""
    there = load_bench(BENCH)
    assert addresses(there) == ()
    with bench_lock(addresses(there), what="another"):
        assert run(RECIPE, bench=BENCH, out=tmp_path / "outcomes", patience=0).verdict == "pass"


@pytest.mark.parametrize("serial", ["VC204-17", "VC204-00171", "xVC204-0017", "VC204-0017\u00a0"])
def test_a_serial_number_that_does_not_match_is_refused_before_anything_is_sent(tmp_path: Path, serial: str) -> None:
    recipe = tmp_path / "recipe.yaml"
    text = RECIPE.read_text(encoding="utf-8")
    recipe.write_text(text.replace("\ntitle:", '\nserial: {pattern: "VC204-\\\\d{4}"}\ntitle:', 1), encoding="utf-8")
    with pytest.raises(Misuse, match=r"does not match `VC204-|has a blank at its"):
        run(recipe, bench=BENCH, serial=serial, out=tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert run(recipe, bench=BENCH, serial="VC204-0017").serial == "VC204-0017"
    assert run(recipe, bench=BENCH, serial=serial.strip(), serial_pattern=".*").serial == serial.strip()
