"""The commands for files: `validate`, `schema`, `plan`, `examples`."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from tests.cli.conftest import Spoken
from wavewright.grammar.located_yaml import parse_tree
from wavewright.grammar.model_reading import plain

Command = Callable[..., Spoken]
ROOT = Path(__file__).parents[2]


def test_every_shipped_file_is_valid(wavewright: Command) -> None:
    files = [*ROOT.glob("recipes/*.yaml"), *ROOT.glob("sim/**/*.yaml")]
    told = wavewright("validate", *files)
    assert told.status == 0, told.stderr
    assert told.stdout.count(": valid ") == len(files)


def test_all_faults_of_all_files_are_told_in_one_go(tmp_path: Path, wavewright: Command) -> None:
    first, second = tmp_path / "first.yaml", tmp_path / "second.yaml"
    good = (ROOT / "recipes/rail_ripple.yaml").read_text()
    first.write_text(good.replace("channels:", "chanels:").replace("40 mV", "40"))
    second.write_text("wavewright-bench: 1\n")
    told = wavewright("validate", first, second, ROOT / "recipes/rail_ripple.yaml")
    assert told.status == 3
    assert f"{first}:6:5: unknown key `chanels`" in told.stderr
    assert "`instruments` is missing" in told.stderr
    assert told.stdout.count(": valid recipe") == 1
    listed = wavewright("validate", first, "--json").json
    assert f"{first}:6:5" in [fault["where"] for fault in listed[str(first)]]


def test_a_file_of_another_kind_is_told_what_it_should_be(tmp_path: Path, wavewright: Command) -> None:
    (tmp_path / "list.yaml").write_text("shopping: [bread]\n")
    told = wavewright("validate", tmp_path / "list.yaml")
    assert told.status == 3
    assert (
        "this is none of: recipe, bench, profile, file of corrections, board, instrument file, fault file"
        in told.stderr
    )


KEYS = [
    ("recipe", "measurements"),
    ("bench", "instruments"),
    ("profile", "settings"),
    ("corrections", "corrections"),
    ("board", "nodes"),
    ("instruments", "wavewright"),
    ("faults", "faults"),
]


@pytest.mark.parametrize("kind, key", KEYS)
def test_the_schema_of_each_file_is_a_json_schema(kind: str, key: str, wavewright: Command) -> None:
    schema = wavewright("schema", kind).json
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert key in schema["properties"]


def simulated_bench(folder: Path, **replaced: str) -> Path:
    """A copy of the simulated bench with something else in its files."""
    for name in ("bench.yaml", "vc204.yaml", "instruments.yaml"):
        text = (ROOT / "sim" / name).read_text(encoding="utf-8")
        for stands, instead in replaced.items():
            text = text.replace(stands.replace("_", " "), instead)
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "bench.yaml"


def test_the_board_and_the_instruments_of_a_bench_are_followed(tmp_path: Path, wavewright: Command) -> None:
    # given a bench file that is sound, with a board and instruments that are not
    bench = simulated_bench(tmp_path, clamp="clmp", identity="idendity")
    told = wavewright("validate", bench)
    assert told.status == 3
    assert f"{tmp_path / 'vc204.yaml'}:54:5: unknown key `clmp` in `coil_terminal`" in told.stderr
    assert f"{tmp_path / 'instruments.yaml'}:84:7: unknown key `idendity` in `digitizer`" in told.stderr


def test_an_unknown_key_of_the_simulation_is_told_at_its_place(tmp_path: Path, wavewright: Command) -> None:
    bench = simulated_bench(tmp_path)
    (tmp_path / "bench.yaml").write_text(bench.read_text().replace("board: vc204.yaml", "bord: vc204.yaml"))
    told = wavewright("validate", bench)
    assert told.status == 3
    assert f"{bench}:5:1: `simulation:` with the key `bord`" in told.stderr


def test_a_board_that_is_not_there_is_told_at_the_line_of_the_bench(tmp_path: Path, wavewright: Command) -> None:
    bench = simulated_bench(tmp_path)
    bench.write_text(bench.read_text().replace("board: vc204.yaml", "board: vc402.yaml"))
    told = wavewright("validate", bench)
    assert told.status == 3
    assert f"{bench}:5:21: there is no file `vc402.yaml`" in told.stderr


@pytest.mark.parametrize("library", ["@sim", "@py", "other.yaml@py", "wire.log@replay"])
def test_a_bench_with_another_library_has_no_board(tmp_path: Path, wavewright: Command, library: str) -> None:
    bench = simulated_bench(tmp_path)
    bench.write_text(bench.read_text().replace("instruments.yaml@sim", library))
    (tmp_path / "vc204.yaml").unlink()
    assert wavewright("validate", bench).status == 0


@pytest.mark.parametrize("seed", ["first", "-1", "2.5"])
def test_a_seed_that_is_not_a_whole_number_is_told_at_its_place(tmp_path: Path, wavewright: Command, seed: str) -> None:
    bench = simulated_bench(tmp_path)
    bench.write_text(bench.read_text().replace("seed: 204", f"seed: {seed}"))
    told = wavewright("validate", bench)
    assert told.status == 3
    assert f"{bench}:5:1: `seed: {seed}` of the simulation" in told.stderr


def test_what_a_bench_cannot_do_is_told_at_the_lines_of_the_recipe(tmp_path: Path, wavewright: Command) -> None:
    # given a recipe that is sound by itself and wants more than the bench gives
    text = (ROOT / "recipes/end_of_line.yaml").read_text(encoding="utf-8")
    text = text.replace("{voltage: 24 V, current_limit: 1 A", "{voltage: 30 V, current_limit: 2 A")
    text = text.replace("frequency: 1.25 kHz", "frequency: 40 MHz")
    (tmp_path / "r.yaml").write_text(text, encoding="utf-8")
    assert wavewright("validate", tmp_path / "r.yaml").status == 0
    # when it is checked together with the bench
    told = wavewright("validate", tmp_path / "r.yaml", ROOT / "sim/bench.yaml")
    # then each of these stands at its own value
    assert told.status == 3
    for what, stands in (
        ("`voltage` of 30 V", "30 V"),
        ("`current_limit` of 2 A", "2 A"),
        ("`frequency` of 40 MHz", "40 MHz"),
    ):
        line = next(number for number, one in enumerate(text.splitlines(), 1) if stands in one)
        column = text.splitlines()[line - 1].index(stands) + 1
        assert re.search(rf"r.yaml:{line}:{column}: on \S*bench.yaml: \w+(\[.*\])?: {re.escape(what)}", told.stderr)


def test_an_unknown_kind_of_file_is_wrong_usage(wavewright: Command) -> None:
    assert wavewright("schema", "shopping").status == 64


def test_a_plan_prints_messages_and_a_time(wavewright: Command) -> None:
    told = wavewright("plan", ROOT / "recipes/end_of_line.yaml", "--bench", ROOT / "sim/bench.yaml")
    assert told.status == 0
    assert "CAUTION: The coil terminals fly back to 60 V" in told.stdout
    assert re.search(r"supply +\S*VOLTage\S* 2\.4E\+01", told.stdout)
    assert "for each of 5 shots:" in told.stdout
    assert "VC-204 end-of-line check: about" in told.stdout
    assert told.stdout.splitlines()[-1].split() == ["source", "OUTPut:STATe", "0"]


def test_a_plan_as_json_has_the_same_steps(wavewright: Command) -> None:
    plan = wavewright("plan", ROOT / "recipes/rail_ripple.yaml", "--bench", ROOT / "sim/bench.yaml", "--json").json
    assert plan["seconds"] > 0
    assert plan["measurements"][0]["label"] == "rail_noise"


def test_a_plan_of_what_the_bench_cannot_do_is_refused(tmp_path: Path, wavewright: Command) -> None:
    text = (ROOT / "recipes/rail_ripple.yaml").read_text().replace("input: 1", "input: 9")
    (tmp_path / "r.yaml").write_text(text)
    told = wavewright("plan", tmp_path / "r.yaml", "--bench", ROOT / "sim/bench.yaml")
    assert told.status == 3
    assert "input 9" in told.stderr


def test_a_stored_waveform_that_is_not_there_is_told_at_its_place(tmp_path: Path, wavewright: Command) -> None:
    # given a recipe whose stored waveform was left behind
    text = (ROOT / "recipes/supply_and_drive.yaml").read_text(encoding="utf-8")
    (tmp_path / "r.yaml").write_text(text, encoding="utf-8")
    line = next(number for number, one in enumerate(text.splitlines(), 1) if "worn_contact.csv" in one)
    # when it is checked, planned or run, then each says the same
    for command in (("validate",), ("plan",), ("run", "--yes", "--no-logbook")):
        told = wavewright(command[0], tmp_path / "r.yaml", *command[1:])
        assert told.status == 3
        assert f"r.yaml:{line}:" in told.stderr
        assert "`worn_contact.csv` cannot be played: there is no such file" in told.stderr


def test_examples_are_written_once(tmp_path: Path, wavewright: Command) -> None:
    told = wavewright("examples", tmp_path / "here")
    assert told.status == 0
    line, _, rest = (tmp_path / "here/recipes/end_of_line.yaml").read_text().partition("\n")
    assert rest == (ROOT / "recipes/end_of_line.yaml").read_text()
    assert line == "# yaml-language-server: $schema=../schemas/recipe.schema.json"
    assert (tmp_path / "here/sim/bench.yaml").is_file()
    # what the recipes play, and the serial numbers of the lot
    assert (tmp_path / "here/recipes/worn_contact.csv").is_file()
    assert (tmp_path / "here/sim/lot.txt").is_file()
    again = wavewright("examples", tmp_path / "here")
    assert again.status == 3
    assert "--force" in again.stderr
    assert wavewright("examples", tmp_path / "here", "--force").status == 0


def test_every_example_leads_an_editor_to_the_schema_of_its_kind(tmp_path: Path, wavewright: Command) -> None:
    wavewright("examples", tmp_path)
    files = [*tmp_path.rglob("*.yaml")]
    assert len(files) > 20
    for file in files:
        found = re.match(r"# yaml-language-server: \$schema=(\S+)\n", file.read_text(encoding="utf-8"))
        assert found, file
        schema = json.loads((file.parent / found[1]).read_text(encoding="utf-8"))
        content = plain(parse_tree(file.read_text(encoding="utf-8"), str(file)))
        assert [error.message for error in Draft202012Validator(schema).iter_errors(content)] == []
    assert wavewright("validate", *files).status == 0


def test_a_new_profile_leads_an_editor_to_its_schema(
    tmp_path: Path, wavewright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert wavewright("profile", "new", "mine").status == 0
    first = (tmp_path / "mine.yaml").read_text(encoding="utf-8").splitlines()[0]
    assert first == "# yaml-language-server: $schema=profile.schema.json"
    assert json.loads((tmp_path / "profile.schema.json").read_text(encoding="utf-8"))["properties"]["settings"]
    assert wavewright("validate", "mine.yaml").status == 0
