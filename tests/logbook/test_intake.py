"""What comes in from files: checked key by key, judged again, entered once."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.logbook.made_outcomes import outcome
from tests.reporting.reported import reported
from wavewright.errors import FileFault
from wavewright.logbook.book import Logbook
from wavewright.logbook.evidence import Evidence
from wavewright.logbook.exchange import export
from wavewright.logbook.intake import Imported, from_lines, import_outcomes
from wavewright.logbook.outcome_files import OUTCOME, outcome_as_json
from wavewright.logbook.queries import entries
from wavewright.logbook.verification import verify


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    book = Logbook(tmp_path / "logbook.sqlite")
    book.enter_all([outcome(0), outcome(1, value=0.045), outcome(2, value=None)], station="line 2")
    return book


@pytest.fixture
def other(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "other.sqlite")


def test_json_lines_make_the_same_logbook_again(book: Logbook, tmp_path: Path) -> None:
    assert export(book, tmp_path / "out.jsonl") == 3
    other = Logbook(tmp_path / "other.sqlite")
    assert import_outcomes(other, tmp_path / "out.jsonl") == Imported(3, 0)
    assert entries(other) == entries(book)
    for entry in entries(book):
        assert outcome_as_json(other.outcome(entry.id)) == outcome_as_json(book.outcome(entry.id))


def test_what_is_known_is_not_entered_twice(book: Logbook, tmp_path: Path) -> None:
    export(book, tmp_path / "out.jsonl")
    assert import_outcomes(book, tmp_path / "out.jsonl") == Imported(0, 3)
    assert len(entries(book)) == 3


def test_evidence_folders_are_entered_with_their_captures(book: Logbook, tmp_path: Path) -> None:
    made = reported()
    with Evidence(tmp_path / "outcomes", started=made.started, recipe="rail", serial=made.serial) as evidence:
        for shot in made.captures["rail_noise"]:
            evidence.keep("rail_noise", shot)
        evidence.finish(made)
    assert import_outcomes(book, tmp_path / "outcomes") == Imported(1, 0)
    assert import_outcomes(book, tmp_path / "outcomes") == Imported(0, 1)
    (new,) = (entry.id for entry in entries(book) if entry.serial == made.serial)
    assert len(book.outcome(new).captures["rail_noise"]) == 2


def test_a_spoilt_line_is_named_and_nothing_is_entered(book: Logbook, tmp_path: Path) -> None:
    export(book, tmp_path / "out.jsonl")
    path = tmp_path / "out.jsonl"
    path.write_text(path.read_text() + "{broken\n")
    other = Logbook(tmp_path / "other.sqlite")
    with pytest.raises(FileFault, match=r"out\.jsonl:4: not JSON"):
        import_outcomes(other, path)
    assert entries(other) == []


@pytest.mark.parametrize("name", ["missing.jsonl", "."])
def test_what_holds_no_outcomes_is_refused(book: Logbook, tmp_path: Path, name: str) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(FileFault):
        import_outcomes(book, empty / name)


@pytest.fixture
def line(book: Logbook, tmp_path: Path) -> dict[str, Any]:
    """The second of three exported lines: a run that failed."""
    export(book, tmp_path / "out.jsonl")
    plain: dict[str, Any] = json.loads((tmp_path / "out.jsonl").read_text().splitlines()[1])
    return plain


def rewritten(tmp_path: Path, line: dict[str, Any]) -> Path:
    """The exported file with its second line replaced."""
    path = tmp_path / "out.jsonl"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], json.dumps(line), lines[2]]) + "\n")
    return path


def put(line: dict[str, Any], path: tuple[int | str, ...], value: object) -> None:
    inner: Any = line
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value


RESULT = ("outcome", "measurements", 0, "results", 0)


@pytest.mark.parametrize(
    "path, value, said",
    [
        (("outcome", "serial"), {}, "`outcome.serial`: {}"),
        (("outcome", "serial"), 12, "`outcome.serial`: 12"),
        (("outcome", "title"), 5, "`outcome.title`: 5"),
        (("outcome", "error"), ["x"], "`outcome.error`: ['x']"),
        (("outcome", "parameters"), [1], "`outcome.parameters`: [1]"),
        (("outcome", "identities"), "abc", "`outcome.identities`: 'abc'"),
        (("outcome", "versions"), None, "`outcome.versions`: None"),
        (("outcome", "started"), "2026-03-02T08:00:00", "`outcome.started`: '2026-03-02T08:00:00'"),
        (("outcome", "started"), "monday", "`outcome.started`: 'monday'"),
        (("outcome", "measurements", 0, "asked"), [1], "`outcome.measurements[0].asked`: [1]"),
        (("outcome", "measurements", 0, "asked", "x"), [1], "`outcome.measurements[0].asked.x`: [1]"),
        ((*RESULT, "limit"), 3, "`outcome.measurements[0].results[0].limit`: 3"),
        ((*RESULT, "verdict"), "good", "`outcome.measurements[0].results[0].verdict`: 'good'"),
        ((*RESULT, "reading", "value"), "0.045", "`outcome.measurements[0].results[0].reading.value`: '0.045'"),
        ((*RESULT, "reading", "value"), True, "`outcome.measurements[0].results[0].reading.value`: True"),
        (("outcome", "serial"), "VC\0", r"`outcome.serial`: 'VC\x00'"),
        (("outcome", "serial"), "VC\ud800", r"`outcome.serial`: 'VC\ud800'"),
        (("added",), [{"at": "2026-03-02T08:00:00+00:00", "by": "R.\nverdict: pass", "text": "x"}], "`added[0].by`"),
        (("station",), 2, "`station`: 2"),
        (("id",), "last run", "`id`: 'last run'"),
        (("id",), "x" * 41, "`id`: 'xxx"),
    ],
)
def test_a_wrong_type_is_refused_with_line_and_key_and_nothing_is_entered(
    line: dict[str, Any], other: Logbook, path: tuple[int | str, ...], value: object, said: str
) -> None:
    put(line, path, value)
    tmp_path = Path(other.where).parent
    with pytest.raises(FileFault) as caught:
        import_outcomes(other, rewritten(tmp_path, line))
    assert f"out.jsonl:2: {said}" in str(caught.value)
    assert "expected: " in str(caught.value)
    assert entries(other) == []


def test_all_faults_of_a_file_come_at_once(line: dict[str, Any], other: Logbook, tmp_path: Path) -> None:
    put(line, ("outcome", "title"), 5)
    del line["outcome"]["serial"]
    path = rewritten(tmp_path, line)
    path.write_text(path.read_text() + "[" * 100_000 + '\n{"id": NaN}\n')
    with pytest.raises(FileFault) as caught:
        import_outcomes(other, path)
    assert [str(fault).partition("out.jsonl:")[2].splitlines()[0] for fault in caught.value.faults] == [
        "2: `outcome.title`: 5",
        "2: key `outcome.serial` is missing",
        "4: brackets nested too deeply",
        "5: not JSON: NaN is not a number",
    ]


def leaves(plain: Any, path: tuple[int | str, ...] = ()) -> Iterator[tuple[int | str, ...]]:
    yield path
    items = plain.items() if isinstance(plain, dict) else enumerate(plain) if isinstance(plain, list) else ()
    for key, value in items:
        yield from leaves(value, (*path, key))


def values(plain: Any) -> Iterator[Any]:
    if isinstance(plain, dict | list):
        for below in plain.values() if isinstance(plain, dict) else plain:
            yield from values(below)
    else:
        yield plain


SEEDS = ("seed", "draw")  # of any size, and only ever shown as they are
WRONG: tuple[object, ...] = (None, True, 5, -1.5, 10**400, "x", "", [], {}, [[]], {"x": 1})


def test_whatever_stands_at_whatever_key_is_refused_or_can_be_shown(
    line: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tried = 0
    refused: list[str] = []
    whole = json.dumps(line)
    for path in list(leaves(line))[1:]:
        for wrong in WRONG:
            spoilt = json.loads(whole)
            put(spoilt, path, wrong)
            (tmp_path / "one.jsonl").write_text(json.dumps(spoilt))
            tried += 1
            try:
                (one,) = from_lines(tmp_path / "one.jsonl")
            except FileFault as fault:
                refused.append(str(fault))
            else:
                shown = outcome_as_json(one.outcome)
                json.dumps(shown, allow_nan=False)
                numbers = [value for value in values(shown) if isinstance(value, int) and path[-1] not in SEEDS]
                [float(number) for number in numbers]  # as tables and reports do
    with capsys.disabled():
        print(f"\nimport: {tried} spoilt lines, {len(refused)} refused with line and key, the others can be shown")
    assert tried > 900
    assert len(refused) > tried / 2
    assert all("one.jsonl:1: " in said for said in refused)


def forged_value(line: dict[str, Any]) -> None:
    for reading in (line["outcome"]["measurements"][0]["results"][0]["reading"],):
        reading["value"] = 0.024


def forged_shots(line: dict[str, Any]) -> None:
    result = line["outcome"]["measurements"][0]["results"][0]
    result["shots"][0]["value"] = result["reading"]["value"] = 9.0
    forged_verdict(line)


def forged_verdict(line: dict[str, Any]) -> None:
    line["outcome"]["verdict"] = "pass"
    measurement = line["outcome"]["measurements"][0]
    measurement["verdict"] = measurement["results"][0]["verdict"] = "pass"


def forged_run_verdict(line: dict[str, Any]) -> None:
    line["outcome"]["verdict"] = "pass"


def forged_limit(line: dict[str, Any]) -> None:
    line["outcome"]["measurements"][0]["results"][0]["limit"] = "at most 90 mV"
    forged_verdict(line)


def dropped_limit(line: dict[str, Any]) -> None:
    result = line["outcome"]["measurements"][0]["results"][0]
    result["limit"], result["verdict"] = "", None
    line["outcome"]["measurements"][0]["verdict"] = None
    line["outcome"]["verdict"] = "inconclusive"


def dropped_result(line: dict[str, Any]) -> None:
    measurement = line["outcome"]["measurements"][0]
    measurement["results"], measurement["verdict"], line["outcome"]["verdict"] = [], None, "inconclusive"


def forged_error(line: dict[str, Any]) -> None:
    forged_verdict(line)
    for part in (line["outcome"], (one := line["outcome"]["measurements"][0]), one["results"][0]):
        part["verdict"] = "error"


def dropped_doubts(line: dict[str, Any]) -> None:
    """The board is whole, and its record clipped: the verdict was inconclusive."""
    result = line["outcome"]["measurements"][0]["results"][0]
    for reading in (result["reading"], *result["shots"]):
        reading.update(value=0.03, doubts=["clipped"], findings=[])
    forged_verdict(line)


def allowed_doubts(line: dict[str, Any]) -> None:
    dropped_doubts(line)
    line["outcome"]["measurements"][0]["results"][0]["allowed"] = ["clipped"]


def forged_recipe(line: dict[str, Any]) -> None:
    recipe = line["outcome"]["recipe"]
    recipe["text"] = recipe["text"].replace("40 mV", "90 mV")
    forged_limit(line)


@pytest.mark.parametrize(
    "forge, said",
    [
        (forged_verdict, "the verdict of `rail_noise.ripple`, pass: 0.045 V and the limit `at most 40 mV` say fail"),
        (forged_run_verdict, "the verdict of the run, pass: its measurements say fail"),
        (forged_shots, "the verdict of `rail_noise.ripple`, pass: 9.0 V and the limit `at most 40 mV` say fail"),
        (forged_value, "the verdict of `rail_noise.ripple`, fail: the value 0.024 is not that of its shots"),
        (forged_limit, "the limit of `rail_noise.ripple`, `at most 90 mV`: the recipe of the run says `at most 40 mV`"),
        (dropped_limit, "the limit of `rail_noise.ripple`, ``: the recipe of the run says `at most 40 mV`"),
        (dropped_result, "the result of `rail_noise.ripple` is missing"),
        (forged_error, "the verdict of `rail_noise.ripple`, error: there are numbers"),
        (dropped_doubts, "the verdict of `rail_noise.ripple`, pass: 0.03 V and the limit `at most 40 mV` say inconcl"),
        (allowed_doubts, "`rail_noise.ripple` allows the doubt `clipped`: the recipe of the run does not"),
        (forged_recipe, "`outcome.recipe.text` does not have the hash"),
    ],
)
def test_a_verdict_that_does_not_follow_is_refused(
    line: dict[str, Any], other: Logbook, tmp_path: Path, forge: Callable[[dict[str, Any]], None], said: str
) -> None:
    forge(line)
    with pytest.raises(FileFault) as caught:
        import_outcomes(other, rewritten(tmp_path, line))
    assert f"out.jsonl:2: {said}" in str(caught.value)
    assert entries(other) == []


def test_a_run_from_before_doubts_decided_is_judged_as_then(
    line: dict[str, Any], other: Logbook, tmp_path: Path
) -> None:
    dropped_doubts(line)
    for result in line["outcome"]["measurements"][0]["results"]:
        del result["allowed"]
    assert import_outcomes(other, rewritten(tmp_path, line)).new == 3


def kept(tmp_path: Path) -> Path:
    """The evidence of a run that failed, with captures."""
    made = reported()
    with Evidence(tmp_path / "outcomes", started=made.started, recipe="rail", serial=made.serial) as evidence:
        for shot in made.captures["rail_noise"]:
            evidence.keep("rail_noise", shot)
        folder = evidence.finish(made).folder
    assert folder is not None
    return folder


def test_evidence_is_judged_again_from_its_captures(other: Logbook, tmp_path: Path) -> None:
    folder = kept(tmp_path)
    plain = json.loads((folder / OUTCOME).read_text())
    width = plain["measurements"][0]["results"][3]
    assert width["verdict"] == "fail"
    for reading in (width["reading"], *width["shots"]):
        reading["value"] = 20e-6  # with the limit, and all numbers in the document, it now fits
    width["verdict"] = plain["measurements"][0]["verdict"] = "pass"
    (folder / OUTCOME).write_text(json.dumps(plain))
    with pytest.raises(FileFault, match=r"the verdict of `rail_noise\.width`, pass: its captures say fail"):
        import_outcomes(other, tmp_path / "outcomes")
    assert entries(other) == []


def test_evidence_that_cannot_be_computed_again_is_judged_by_its_values_and_that_is_said(
    other: Logbook, tmp_path: Path
) -> None:
    folder = kept(tmp_path)
    plain = json.loads((folder / OUTCOME).read_text())
    plain["measurements"][0]["name"] = "rail_noise_2"  # whose captures are not there
    plain["recipe"]["text"] = plain["recipe"]["text"].replace("  rail_noise:", "  rail_noise_2:")
    plain["recipe"]["sha256"] = __import__("hashlib").sha256(plain["recipe"]["text"].encode()).hexdigest()
    (folder / OUTCOME).write_text(json.dumps(plain))
    found = import_outcomes(other, folder)
    assert found.new == 1
    assert (
        "judged by its values, its captures cannot be computed again: no captures of `rail_noise_2`" in found.notes[0]
    )


TEXTS = ("a\u2028b", "a\u2029b", "a\x85b", "a\x0bb\x0c\x1c\x1d\x1e", "a\rb", "a\r\nb\n", "ä\t€ 😀")


@pytest.mark.parametrize("text", TEXTS)
def test_every_text_survives_export_and_import(other: Logbook, tmp_path: Path, text: str) -> None:
    with Logbook(tmp_path / "texts.sqlite") as book:
        book.enter(outcome(0, serial=text), station=text, batch=text)
        export(book, tmp_path / "texts.jsonl")
        assert import_outcomes(other, tmp_path / "texts.jsonl") == Imported(1, 0)
        assert entries(other) == entries(book)
        assert entries(other)[0].serial == text
        assert verify(other).flaws == ()


def test_the_same_line_twice_is_one_run_and_another_of_that_id_is_refused(
    line: dict[str, Any], other: Logbook, tmp_path: Path
) -> None:
    path = tmp_path / "out.jsonl"
    path.write_text(path.read_text() * 2)
    assert import_outcomes(other, path) == Imported(3, 0)
    line["station"] = "line 3"
    path.write_text(path.read_text() + json.dumps(line) + "\n")
    with pytest.raises(FileFault, match=r"out\.jsonl:7: `id`: .* is that of line 2 too"):
        import_outcomes(other, path)


def test_of_two_who_enter_the_same_at_once_one_does(book: Logbook, other: Logbook) -> None:
    given = [("one", outcome(0), "", ""), ("two", outcome(0), "", ""), ("three", outcome(1), "", "")]
    assert other.enter_named(given, only_new=True) == ["one", "three"]
    with sqlite3.connect(other.where) as plain:  # as another process would have seen it before
        assert plain.execute("select count(*) from outcomes").fetchone() == (2,)
    assert other.enter_named(given, only_new=True) == []
    assert verify(other).flaws == ()
