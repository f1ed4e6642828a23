"""What the pages say, asked without a browser: figures, filters, marks, and what is never shown as something else."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import get_args, get_type_hints
from urllib.parse import parse_qsl, quote, urlsplit

import pytest
from sqlalchemy import update
from starlette.testclient import TestClient

from tests.logbook.made_outcomes import START, origin, outcome
from tests.pages.line.conftest import HOSTILE, PORT, client_of
from wavewright.cli import run_filter
from wavewright.errors import StorageFault
from wavewright.logbook.attaching import attach_later
from wavewright.logbook.book import Logbook
from wavewright.logbook.filter_words import DECLARED, FILTER_WORDS
from wavewright.logbook.line_notes import NoteKind, enter_notes, note_now, notes_in
from wavewright.logbook.quarantine import release, set_apart
from wavewright.logbook.queries import Filter, entries, points, trend
from wavewright.logbook.studies.proportions import yield_of_runs
from wavewright.logbook.tables import outcomes
from wavewright.pages.line.admission import Admission
from wavewright.pages.line.line_view import PAGES
from wavewright.reporting.chart_pictures import trend_picture
from wavewright.reporting.drawing.svg_picture import svg_picture
from wavewright.running.attachment import files_of, note_of
from wavewright.running.declared import Declared

EVERY = (
    "day", "day?day=2026-03-02", "part?part=VC-204", "batch?batch-name=lot-7", "selection", "batches", "parts",
    "stations",
    "stations?of=rail_noise.ripple", "stations?of=rail_noise.ripple&since=2026-03-02", "readings", "runs",
    "runs?verdict=fail",
    "unit?serial=VC204-0103", "unit?serial=*", "trend?of=rail_noise.ripple", f"unit?serial={quote(HOSTILE)}",
    f"batch?batch-name={quote('lot/9?&#')}", f"day?station={quote(HOSTILE)}",
)  # fmt: skip


PIXEL = base64.b64decode(  # one grey pixel (W3C, PNG, 11: IHDR, IDAT, IEND)
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)


def text_of(client: TestClient, page: str) -> str:
    answer = client.get(f"/{page}")
    assert answer.status_code == 200, answer.text
    return answer.text


def said(page: str) -> str:
    """The words of a page, without its markup and its data."""
    bare = re.sub(r"<(script|style).*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", bare)).split())


@pytest.mark.parametrize("address", EVERY)
def test_no_text_of_the_logbook_becomes_markup(page: TestClient, address: str) -> None:
    text = text_of(page, address)
    assert "<script>alert" not in text
    assert 'href="javascript' not in text
    data = re.findall(r'<script type="application/json">(.*?)</script>', text, re.DOTALL)
    assert all(json.loads(one) for one in data)


@pytest.mark.parametrize("address", EVERY)
def test_every_link_leads_to_a_page(page: TestClient, address: str) -> None:
    found = set(re.findall(r'href="([^"]+)"', text_of(page, address)))
    links = [unescape(one) for one in found if not one.startswith(("#", "data:", "files-"))]
    assert links
    for link in links[:25]:
        assert page.get(f"/{link}").status_code == 200, link


def test_the_yields_are_those_of_the_study(page: TestClient, line_book: Logbook) -> None:
    which = Filter(batch="lot-8")
    lines = yield_of_runs(line_book, which).lines
    first, final = (re.search(r"[\d.]+ %", line)[0] for line in lines[:2])
    assert f"First-pass yield {first} (" in said(text_of(page, "batch?batch-name=lot-8"))
    assert f"Final yield (after retests) {final} (" in said(text_of(page, "batch?batch-name=lot-8"))


def test_a_unit_that_failed_before_is_not_passed_at_first_without_a_word(page: TestClient) -> None:
    """VC204-0103 failed on the day before: its run of this day passes, and is not its first."""
    words = said(text_of(page, "day?day=2026-03-03&station=line_2"))
    assert "First-pass yield 100.0 % (1 of 1 units" in words
    assert "1 of 1 units had a run before, which is not on this page" in words
    whole = said(text_of(page, "day?day=2026-03-03"))
    assert "First-pass yield of the new units alone 87.5 % (7 of 8 units" in whole


def test_simulated_runs_are_left_out_or_said(page: TestClient) -> None:
    words = said(text_of(page, "day?day=2026-03-03"))
    assert "1 runs on simulated benches are left out" in words
    assert "VC204-9000" not in words
    both = said(text_of(page, "day?day=2026-03-03&simulated=yes"))
    assert "On a simulated bench: 1 of 10 runs; no real unit was measured in them." in both
    alone = said(text_of(page, "batch?batch-name=rehearsal"))
    assert "On a simulated bench: all 1 runs; no real unit was measured in them." in alone
    assert "simulated" in said(text_of(page, "runs?batch-name=rehearsal")).split("Started")[1]
    assert "On a simulated bench" in said(text_of(page, "unit?serial=VC204-9000"))


def test_no_other_verdict_is_shown_as_a_pass(page: TestClient, line_book: Logbook) -> None:
    text = text_of(page, "runs")
    shown = dict(re.findall(r'<tr class="(\w+)" id="run-([^"]+)">.*?', text))
    assert shown
    for run in entries(line_book, Filter(simulated=False)):
        row = text.split(f'id="run-{run.id}"')[1].split("</tr>")[0]
        assert re.findall(r'class="verdict ([\w-]+)"', row) == [run.verdict]


def test_a_run_is_its_report_with_pictures_or_why_not(page: TestClient, line_book: Logbook) -> None:
    drawn = entries(line_book, Filter(batch="rehearsal"))[0]
    answer = page.get(f"/run?id={drawn.id}")
    assert 'id="m1-trace"' in answer.text
    assert "script-src 'sha256-" in answer.headers["content-security-policy"]
    assert "'self'" not in answer.headers["content-security-policy"].partition("script-src")[2].partition(";")[0]
    plain = entries(line_book, Filter(batch="lot-7"))[0]
    assert "No pictures: the captures of this measurement were not kept." in said(text_of(page, f"run?id={plain.id}"))


def test_captures_that_cannot_be_reached_are_told(tmp_path: Path) -> None:
    with Logbook(tmp_path / "line.sqlite") as book:
        run = book.enter(outcome(0, seed=1))
        for file in book.codes.folder.rglob("*.h5"):
            file.unlink()
        with client_of(book, Admission(PORT)) as client:
            words = said(text_of(client, f"run?id={run}"))
    assert "No pictures:" in words
    assert "the captures are missing" in words


def test_words_of_the_address_are_those_of_the_options() -> None:
    names = ("Part", "Serial", "RecipeName", "VerdictWord", "Operator", "Station", "BatchName", "Since", "Until")
    # typer takes the first of its words for a default, until it has looked
    options = [get_args(getattr(run_filter, name))[1].default.removeprefix("--") for name in names]
    assert get_args(run_filter.Where)[1].default == f"--{DECLARED}"
    assert options == list(FILTER_WORDS)
    assert set(FILTER_WORDS.values()) <= set(get_type_hints(Filter))


@pytest.mark.parametrize(
    "address, status, words",
    [
        ("runs?statoin=line_1", 400, "`statoin` in the address Expected one of .* What to do did you mean `station`?"),
        ("runs?station=line_9", 404, "no run has `station=line_9` Expected one of .*line_1, line_2"),
        ("runs?since=yesterday", 400, "`since=yesterday` Expected a date or a time in ISO 8601 form"),
        ("runs?verdict=good", 400, "`verdict=good` Expected one of pass, inconclusive, fail, error"),
        ("runs?station=line_1&station=line_2", 400, "`station` is twice in the address"),
        ("runs?station=line_1&batch-name=rehearsal", 404, "no run matches all filters together Expected "
         "`station=line_1` by itself leaves 16; `batch-name=rehearsal` by itself leaves 1"),
        ("day?day=2026-02-30", 400, "`day=2026-02-30` Expected a day in ISO 8601 form"),
        ("day?since=2026-03-02", 400, "`since` in the address"),
        ("day?verdict=pass", 400, "`verdict` in the address"),
        ("trend?of=rail_noise.riple", 404, "no run has a reading `rail_noise.riple` .* did you mean `rail_noise.rip"),
        ("trend", 400, "which characteristic is not said"),
        ("unit?serial=VC204-010", 404, "no run of a unit `VC204-010` .* did you mean"),
        ("unit", 400, "which unit is not said"),
        ("batch", 400, "which batch is not said"),
        ("runs?to=-1", 400, "`to=-1` Expected a whole number"),
        ("runs?simulated=no", 400, "`simulated=no` Expected `simulated=yes`"),
        ("runs?part=%ff", 400, "the address cannot be read"),
        ("runs?part=%00", 400, "the value of `part`"),
        ("runs?part=" + "x" * 301, 400, "the value of `part`"),
        ("runs?" + "&".join(f"a{n}=1" for n in range(60)), 400, "the address cannot be read"),
        ("stations?of=rail_noise.ripple&station=line_1", 200, "1 stations Expected at least 2"),
    ],
)  # fmt: skip
def test_a_wrong_filter_gives_one_clear_message(page: TestClient, address: str, status: int, words: str) -> None:
    answer = page.get(f"/{address}")
    assert answer.status_code == status, said(answer.text)
    assert re.search(words, said(answer.text)), said(answer.text)
    assert "<table" not in answer.text
    assert "Traceback" not in answer.text


def test_what_happened_at_the_line_is_shown(entered_later: tuple[Logbook, TestClient]) -> None:
    book, client = entered_later
    text = "wavewright: 1\ntitle: VC-204 rail\nretest: {at_most: 2, when: [fail], verdict: 2 of 3 pass}\n"
    ids = []
    for number, value in enumerate((0.05, 0.03, 0.03)):
        run = replace(
            outcome(number, serial="VC204-0800", value=value), recipe=origin("recipes/rail_ripple.yaml", text)
        )
        marked = replace(
            run, retest=number, retest_of=ids[0] if ids else "", declared={"work_order": Declared("WO-000123")}
        )
        ids.append(book.enter(marked, station="line_1", batch="lot-10"))
    book.enter(replace(outcome(9, serial="GOOD-1"), golden="good"), station="line_1", batch="golden")
    call = {"entry": "ripple_chart", "then": "stop", "told": "`ripple_chart` calls: 1 beyond 3 sigma: VC204-0800"}
    note = note_now(NoteKind.CALL, station="line_1", batch="lot-10", run=ids[0], serials=["VC204-0800"], **call)
    apart = set_apart(["VC204-0801"], reason="<b>dropped</b>", station="line_1", operator="R. Amsel")
    book.enter(outcome(5, serial="VC204-0801"), station="line_1", batch="lot-10")
    enter_notes(book, [note, apart])
    words = said(text_of(client, "batch?batch-name=lot-10"))
    assert "First-pass yield 50.0 % (1 of 2 units" in words
    assert "Final yield (after retests) 50.0 % (1 of 2 units" in words
    assert re.search(r"Units in quarantine .* VC204-0801 .* by R. Amsel: <b>dropped</b>", words)
    assert re.search(r"Rules that called .* `ripple_chart` calls: 1 beyond 3 sigma: VC204-0800 VC204-0800 stop", words)
    unit = said(text_of(client, "unit?serial=VC204-0800"))
    assert "By the rule for retests of its recipe: 2 of 3 pass." in unit
    assert f"retest 2 of run {ids[0]}" in unit
    assert "Work order" in unit
    assert "WO-000123" in unit
    apart_page = text_of(client, "unit?serial=VC204-0801")
    assert "In quarantine, so not a good unit" in said(apart_page)
    assert "verdict pass" not in apart_page.partition("<h1>")[0]  # not as the verdict of the unit
    assert "1 runs of golden units are left out" in said(text_of(client, "selection"))
    assert "golden unit, expected to pass" in said(text_of(client, "unit?serial=GOOD-1"))


def test_a_unit_that_is_set_apart_is_shown_at_once_and_no_page_stays_old(
    entered_later: tuple[Logbook, TestClient],
) -> None:
    book, client = entered_later
    assert "quarantine" not in said(text_of(client, "unit?serial=VC204-0103"))
    note = set_apart(["VC204-0103"], reason="cracked at <C12>", operator="R. Okafor")
    called = note_now(
        NoteKind.CALL, station="line_1", batch="lot-8", told="`drift` calls: 1 beyond 3 sigma: VC204-0103", then="stop"
    )
    enter_notes(book, [note, called])
    assert "In quarantine, so not a good unit: since" in said(text_of(client, "unit?serial=VC204-0103"))
    assert "by R. Okafor: cracked at <C12>" in said(text_of(client, "batch?batch-name=lot-8"))
    assert "`drift` calls: 1 beyond 3 sigma: VC204-0103" in said(text_of(client, "batch?batch-name=lot-8"))
    assert "`drift` calls" not in said(text_of(client, "batch?batch-name=lot-7"))
    enter_notes(book, [release(["VC204-0103"], notes_in(book), reason="replaced", operator="R. Okafor")])
    assert "In quarantine" not in said(text_of(client, "unit?serial=VC204-0103"))


def test_golden_units_are_in_no_yield_of_a_page(entered_later: tuple[Logbook, TestClient]) -> None:
    book, client = entered_later
    before = re.search(r"First-pass yield (\S+ %)", said(text_of(client, "selection")))
    golden = replace(outcome(0, serial="VC204-9002", value=0.055), started=START, ended=START)
    book.enter(golden, station="line_1", batch="golden")
    now = said(text_of(client, "selection"))
    assert before is not None
    assert f"First-pass yield {before[1]}" in now
    assert "1 runs of golden units are left out" in now
    assert "0.0 %" in said(text_of(client, "batch?batch-name=golden"))


def test_what_is_attached_later_is_in_the_report_at_once(
    entered_later: tuple[Logbook, TestClient], tmp_path: Path
) -> None:
    book, client = entered_later
    run = entries(book, Filter(batch="lot-8"))[0].id
    before = client.get(f"/run?id={run}")
    (tmp_path / "c12.png").write_bytes(PIXEL)
    note = note_of("cracked at <C12>", at=START, by="R. Okafor")
    attach_later(book, run, [note, *files_of([tmp_path / "c12.png"], at=START)])
    after = client.get(f"/run?id={run}", headers={"if-none-match": before.headers["etag"]})
    assert after.status_code == 200
    assert "cracked at <C12>" in said(after.text)
    assert '<img src="data:image/png;base64,' in after.text
    assert after.headers["content-security-policy"].count("img-src data:") == 1


def test_a_page_that_has_not_changed_is_not_sent_again(entered_later: tuple[Logbook, TestClient]) -> None:
    book, client = entered_later
    first = client.get("/batch?batch-name=lot-8")
    same = client.get("/batch?batch-name=lot-8", headers={"if-none-match": first.headers["etag"]})
    assert (same.status_code, same.content) == (304, b"")
    # when a run of another batch comes, then the page is still the same one
    book.enter(replace(outcome(9), started=START), batch="lot-9", station="line_1")
    several = {"if-none-match": f'W/{first.headers["etag"]}, "x"'}
    assert client.get("/batch?batch-name=lot-8", headers=several).status_code == 304
    # when one of this batch comes, then it is another
    book.enter(replace(outcome(9, serial="VC204-0777", value=0.05), started=START), batch="lot-8", station="line_1")
    changed = client.get("/batch?batch-name=lot-8", headers={"if-none-match": first.headers["etag"]})
    assert changed.status_code == 200
    assert "VC204-0777" in changed.text


def test_the_newest_day_follows_the_clock(entered_later: tuple[Logbook, TestClient]) -> None:
    book, client = entered_later
    assert "Tuesday 2026-03-03" in client.get("/day").text
    book.enter(replace(outcome(0), started=START.replace(day=5)), batch="lot-9", station="line_1")
    assert "Thursday 2026-03-05" in client.get("/day").text


def test_a_logbook_that_cannot_be_read_is_said_and_not_covered_by_old_numbers(
    entered_later: tuple[Logbook, TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, client = entered_later
    etag = client.get("/day").headers["etag"]

    def broken(*given: object) -> None:
        raise StorageFault("the server is away", where="postgresql://quality@server/line")

    monkeypatch.setattr("wavewright.logbook.columns.followed_logbook._heads", broken)
    answer = client.get("/day", headers={"if-none-match": etag})
    assert answer.status_code == 503
    assert "the server is away" in said(answer.text)
    assert "yield" not in said(answer.text)


def test_every_page_of_the_catalogue_is_asked_for_here() -> None:
    assert {address.partition("?")[0] for address in EVERY} | {"run"} == set(PAGES)


@pytest.fixture(scope="module")
def declaring(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Twelve runs: two work orders, one of which is hostile, and a temperature of some; one document is damaged."""
    fields = [
        {"work_order": Declared(HOSTILE if n < 4 else "WO-000123"), **({"air": Declared("23 degC")} if n % 3 else {})}
        for n in range(12)
    ]
    made = [
        replace(outcome(n, serial=f"VC204-{n:04}", value=0.05 if n == 5 else 0.03), declared=declared)
        for n, declared in enumerate(fields)
    ]
    with Logbook(tmp_path_factory.mktemp("line") / "line.sqlite") as book:
        book.enter_all(made, station="line_1", batch="lot-7")
        damaged = book.enter(outcome(20, serial="VC204-0020"), station="line_1", batch="lot-8")
        with book.writing() as connection:
            row = {"document": '{"declared": {"work_order": {"te'}
            connection.execute(update(outcomes).where(outcomes.c.id == damaged).values(row))
        with client_of(book, Admission(PORT)) as client:
            yield client


WORK_ORDER = "where=work_order%3DWO-000123"


def test_pages_are_of_the_runs_that_declare_a_field_so(declaring: TestClient) -> None:
    words = said(text_of(declaring, f"selection?{WORK_ORDER}"))
    assert "First-pass yield 87.5 % (7 of 8 units" in words
    both = said(text_of(declaring, f"selection?{WORK_ORDER}&where=air%3D2*"))
    assert "First-pass yield 83.3 % (5 of 6 units" in both
    runs = text_of(declaring, f"runs?{WORK_ORDER}")
    assert len(re.findall(r'id="run-', runs)) == 8
    assert "VC204-0003" not in runs
    assert "8 readings" in said(text_of(declaring, f"trend?of=rail_noise.ripple&{WORK_ORDER}"))
    assert text_of(declaring, "runs").count('id="run-') == 13


@pytest.mark.parametrize("page", ["day", "selection", "batches", "parts", "stations", "readings", "runs"])
def test_declared_fields_go_along_with_each_link_and_can_be_taken_out(declaring: TestClient, page: str) -> None:
    text = text_of(declaring, f"{page}?{WORK_ORDER}&where=air%3D23%20degC")
    links = [unescape(one) for one in re.findall(r'href="([^"]+)"', text)]
    kept = [
        one for one in links if one.startswith(("day", "batches", "parts", "stations", "readings", "trend", "batch?"))
    ]
    both = {("where", "work_order=WO-000123"), ("where", "air=23 degC")}
    assert len(kept) > 4
    removing = [unescape(one) for one in re.findall(r'href="([^"]+)" aria-label="Without the filter where', text)]
    for link in set(kept) - set(removing):
        assert both <= set(parse_qsl(urlsplit(link).query)), link
    assert len(removing) == 2
    for link, left in zip(removing, ("air=23 degC", "work_order=WO-000123"), strict=True):
        assert [word for word in parse_qsl(urlsplit(link).query) if word[0] == "where"] == [("where", left)]
        assert declaring.get(f"/{link}").status_code == 200
    # and the form that adds a filter sends those that are there
    form = text.split('class="choose"')[1]
    sent = re.findall(r'type="hidden" name="where" value="([^"]+)"', form)
    assert sent == ["work_order=WO-000123", "air=23 degC"]


def test_a_hostile_answer_is_text_on_every_page(declaring: TestClient) -> None:
    written = quote(f"work_order={HOSTILE}")
    for page in ("selection", "runs", "day", "readings", "trend?of=rail_noise.ripple"):
        address = f"{page}{'&' if '?' in page else '?'}where={written}"
        text = text_of(declaring, address)
        assert "<script>alert" not in text
        assert HOSTILE in unescape(text)
    assert text_of(declaring, f"runs?where={written}").count('id="run-') == 4


@pytest.mark.parametrize(
    "address, status, words",
    [
        ("runs?where=work_order", 400, "`where=work_order` Expected `NAME=VALUE`"),
        ("runs?where==WO", 400, "`where==WO` Expected `NAME=VALUE`"),
        ("runs?where=work.order%3DWO", 400, "`where=work.order=WO` Expected `NAME=VALUE`"),
        ("runs?where=work_oder%3DWO", 404, "no run declares `work_oder` Expected one of air, work_order .* did you"),
        ("runs?where=work_order%3DWO-000124", 404, "no run has `where=work_order=WO-000124` Expected .*WO-000123.* d"),
        ("runs?where=work_order%3Dwo-*", 404, "no run has `where=work_order=wo-.`"),
        ("runs?where=air%3D23 degC&where=air%3D24*", 404, "no run has `where=air=24.`"),
        ("runs?where=air%3D23 degC&batch-name=lot-8", 404, "no run matches all filters together Expected .*"
         "`where=air=23 degC` by itself leaves 8"),
        ("run?id=x&where=air%3D23", 400, "`where` in the address"),
    ],
)  # fmt: skip
def test_a_wrong_declared_field_gives_one_clear_message(
    declaring: TestClient, address: str, status: int, words: str
) -> None:
    answer = declaring.get(f"/{address}")
    assert answer.status_code == status, said(answer.text)
    assert re.search(words, said(answer.text)), said(answer.text)
    assert "<table" not in answer.text


def test_a_page_of_a_declared_field_has_the_runs_that_come_later(entered_later: tuple[Logbook, TestClient]) -> None:
    book, client = entered_later
    for number, text in enumerate(("WO-000200", "WO-000201", "WO-000200")):
        run = replace(outcome(40 + number, serial=f"VC204-1{number:03}"), declared={"work_order": Declared(text)})
        book.enter(run, station="line_1", batch="lot-9")
        assert text_of(client, "runs?where=work_order%3DWO-000200").count('id="run-') == 1 + (number == 2)


def test_a_clock_at_either_end_of_the_calendar_stops_no_page(tmp_path: Path) -> None:
    ends = (datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC))
    with Logbook(tmp_path / "line.sqlite") as book:
        for number, moment in enumerate(ends):
            book.enter(replace(outcome(number), started=moment, ended=moment), batch="lot-7")
        found = trend(book, "rail_noise.ripple")
        drawn = svg_picture([trend_picture(found, points(book, "rail_noise.ripple"), told="")])
        assert 2 <= drawn.count("-01-01</text>") <= 12  # ticks at years, a few of ten thousand
        with client_of(book, Admission(PORT)) as client:
            for page in ("day", "day?day=0001-01-01", "trend?of=rail_noise.ripple", "batch?batch-name=lot-7"):
                text = text_of(client, page)
            (earlier,) = re.findall(r'<a href="([^"]*)" rel="prev">', text_of(client, "day"))
            assert "Monday 0001-01-01" in said(text_of(client, unescape(earlier))) or earlier == "day?day=0001-01-01"
        assert "Batch lot-7" in said(text)
