"""Declared fields: answered before anything is opened, kept with the outcome, and looked up in the logbook."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import update

import wavewright as ww
from tests.cli.conftest import Spoken
from tests.logbook.made_outcomes import outcome as made
from tests.logbook.postgresql import Server
from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.declared_fields import every_declared
from wavewright.logbook.exchange import export
from wavewright.logbook.intake import import_outcomes
from wavewright.logbook.outcome_files import outcome_as_json, read_outcome
from wavewright.logbook.queries import Filter, entries
from wavewright.logbook.tables import outcomes
from wavewright.reporting.batch import batch_report, study_batch
from wavewright.reporting.html import html
from wavewright.reporting.junit import junit
from wavewright.reporting.markdown import markdown
from wavewright.running.declared import Declared

ROOT = Path(__file__).parents[2]
Command = Callable[..., Spoken]
BENCH = ROOT / "sim/bench.yaml"
RECIPE = """\
wavewright: 1
title: declared fields
ask:
  work_order: {about: Work order, pattern: "WO-[0-9]{6}", once: batch}
  temperature: {about: Air temperature, unit: degC, within: 15 degC .. 35 degC}
  feed: {about: Rail as measured, unit: V, within: FEED, read: rail.level}
  station_code: {about: Address and function of the first message, read: telegram.line, hex: HEX}
measurements:
  rail:
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, points: 1k}
    compute: {level: {metric: mean, of: rail, limit: 3.3 V ± 5 %}}
  telegram:
    place: Probe 1 on TP10.
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, before_trigger: 2 ms, rate: 250 kHz}
    trigger: {mode: normal, edge: falling, level: 1.65 V}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even}}
"""
ANSWERS = {"work_order": "WO-000123", "temperature": "23.4"}


def write(folder: Path, *, feed: str = "3 V .. 4 V", hex_pattern: str = '"(?P<value>11 03) 00"') -> Path:
    path = folder / "declared.yaml"
    path.write_text(RECIPE.replace("FEED", feed).replace("HEX", hex_pattern), encoding="utf-8")
    return path


class Desk:
    """Somebody who types what was put down beforehand."""

    can_ask = True

    def __init__(self, *typed: str) -> None:
        self.typed, self.shown = list(typed), list[str]()

    def confirm(self, text: str) -> None:
        """Nothing."""

    def say(self, text: str) -> None:
        self.shown.append(text)

    def ask(self, text: str) -> str:
        self.shown.append(text)
        return self.typed.pop(0)


def test_all_missing_answers_are_named_at_once_before_anything_opens(tmp_path: Path) -> None:
    recipe, out = write(tmp_path), tmp_path / "out"
    with pytest.raises(Misuse) as caught:
        ww.run(recipe, bench=BENCH, out=out, logbook=tmp_path / "book.sqlite")
    assert "`work_order` (Work order), `temperature` (Air temperature)" in str(caught.value)
    assert "--answer work_order=… --answer temperature=…" in str(caught.value)
    with pytest.raises(Misuse) as caught:
        ww.run(recipe, bench=BENCH, out=out, answers={"work_order": "WO-1", "temperature": "50"})
    assert "`WO-1` does not match" in str(caught.value)
    assert "`50 degC` is not within" in str(caught.value)
    with pytest.raises(Misuse, match="does not ask for `workorder`"):
        ww.run(recipe, bench=BENCH, answers={"workorder": "WO-000123"})
    with pytest.raises(Misuse, match=r"`feed` is read from rail.level"):
        ww.run(recipe, bench=BENCH, answers={**ANSWERS, "feed": "3.3 V"})
    assert not out.exists()


def test_answers_are_typed_given_read_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wavewright: Command
) -> None:
    # given a work order in the environment, and somebody who mistypes the temperature, once with an escape sequence
    monkeypatch.setenv("WAVEWRIGHT_ANSWER_WORK_ORDER", "WO-000123")
    desk = Desk("2340", "23\x1b[2J", "23.4\n")
    with Logbook(tmp_path / "book.sqlite"):
        outcome = ww.run(
            write(tmp_path), bench=BENCH, desk=desk, seed=1, out=tmp_path / "out", logbook=tmp_path / "book.sqlite"
        )
    # then everything is there, with where it came from
    declared = outcome.declared
    assert declared["work_order"] == Declared("WO-000123", source="WAVEWRIGHT_ANSWER_WORK_ORDER")
    assert declared["temperature"] == Declared("23.4 degC", 23.4, "degC", "typed")
    assert declared["feed"].value == outcome["rail.level"].value
    assert declared["feed"].source == "read from rail.level"
    assert declared["station_code"] == Declared("11 03", source="read from telegram.line")
    assert all("\x1b" not in text for text in desk.shown)
    assert sum("Air temperature" in text for text in desk.shown) == 3
    # and in everything that is made of the outcome
    assert outcome.folder is not None
    assert read_outcome(outcome.folder).declared == declared
    assert "<dt>Work order</dt><dd>WO-000123 (WAVEWRIGHT_ANSWER_WORK_ORDER)</dd>" in html(outcome)
    assert "- temperature: 23.4 degC\n" in markdown(outcome)
    assert '<property name="declared.temperature" value="23.4 degC" />' in junit(outcome)
    with Logbook(tmp_path / "book.sqlite") as book:
        assert book.outcome("last").declared == declared
        assert ">WO-000123</td>" in batch_report(study_batch(book))
        export(book, tmp_path / "table.csv")
        export(book, tmp_path / "runs.jsonl")
    with (tmp_path / "table.csv").open(encoding="utf-8") as file:
        assert json.loads(next(csv.DictReader(file))["declared"])["temperature"] == "23.4 degC"
    with Logbook(tmp_path / "other.sqlite") as book:
        import_outcomes(book, tmp_path / "runs.jsonl")
        assert book.outcome("last").declared == declared
    own = ("--logbook", tmp_path / "book.sqlite")
    assert len(wavewright("logbook", "find", "--where", "work_order=WO-*", *own, "--json").json) == 1
    assert wavewright("logbook", "find", "--where", "work_order=WO-0001", *own, "--json").json == []
    assert wavewright("logbook", "find", "--where", "work order=1", *own).status == 64


@pytest.mark.parametrize(
    "change, said",
    [
        ({"feed": "4 V .. 5 V"}, r"declared field `feed`: `3.2\d* V` is not within 4 V .. 5 V"),
        ({"hex_pattern": '"FF FF"'}, "declared field `station_code`: nothing on `telegram.line` matches `FF FF`"),
        ({"hex_pattern": '"^.. .."'}, None),
    ],
)
def test_what_was_to_be_read_and_does_not_fit_is_an_error_of_the_run(
    tmp_path: Path, change: dict[str, str], said: str | None
) -> None:
    outcome = ww.run(write(tmp_path, **change), bench=BENCH, answers=ANSWERS, seed=1)
    if said is None:
        assert outcome.verdict == "pass"
    else:
        assert outcome.verdict == "error"
        assert re.search(said, outcome.error)


def test_documents_of_before_have_no_declared_fields() -> None:
    assert "declared" not in outcome_as_json(made(1))


@pytest.mark.parametrize("where", ["sqlite", "postgresql"])
def test_both_databases_find_runs_by_what_they_declare(
    where: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    place: object = tmp_path / "book.sqlite"
    if where == "postgresql":
        server: Server = request.getfixturevalue("server")
        place = server.new_database("declared")
    hostile = 'it\'s "25" % of_it\\ *'
    texts = ["WO-000001", "WO-000002", hostile, None]
    runs = [
        replace(made(number), declared={} if text is None else {"work_order": Declared(text)})
        for number, text in enumerate(texts)
    ]
    with Logbook(place) as book:  # type: ignore[arg-type]
        ids = book.enter_all(runs)

        def found(text: str, name: str = "work_order") -> list[str]:
            return sorted(one.id for one in entries(book, Filter(declared=((name, text),))))

        assert found("WO-000001") == [ids[0]]
        assert found("WO-*") == sorted(ids[:2])
        assert found('it\'s "25" % of_it\\ *') == [ids[2]]
        assert found('it\'s "25"*') == [ids[2]]
        assert found("WO_000001*") == found("wo-*") == found("WO-00000?*") == found("WO-00000[1]*") == []
        assert [one.id for one in entries(book, Filter(serial="vc204*"))] == []
        assert len(entries(book, Filter(serial="VC204*"))) == len(texts)
        assert found("WO-000001", "work_orders") == []
        assert study_batch(book).declared == {
            ids[number]: {"work_order": text} for number, text in enumerate(texts[:3])
        }
        each = {ids[number]: {"work_order": text} for number, text in enumerate(texts[:3])}
        assert every_declared(book) == each
        assert every_declared(book, ids[1:2]) == {ids[1]: each[ids[1]]}
        with book.writing() as connection:
            connection.execute(update(outcomes).where(outcomes.c.id == ids[1]).values(document='{"declared": {"wo'))
        assert every_declared(book) == {run: fields for run, fields in each.items() if run != ids[1]}


def test_a_damaged_document_does_not_stop_a_search(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        runs = [replace(made(number), declared={"work_order": Declared("WO-000001")}) for number in range(2)]
        ids = book.enter_all(runs)
        with book.writing() as connection:
            connection.exec_driver_sql(f"UPDATE outcomes SET document = substr(document, 9) WHERE id = '{ids[0]}'")
        assert [one.id for one in entries(book, Filter(declared=(("work_order", "WO-000001"),)))] == [ids[1]]
