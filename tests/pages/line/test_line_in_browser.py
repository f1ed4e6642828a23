"""`wavewright serve` in a real Chromium: the command, a station that enters runs meanwhile, and who reads the pages."""

from __future__ import annotations

import itertools
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from tests.kept_port import KeptPort
from tests.logbook.made_outcomes import outcome
from tests.pages.line.conftest import HOSTILE
from wavewright.logbook.book import Logbook

if TYPE_CHECKING:
    from playwright.sync_api import Page

playwright = pytest.importorskip("playwright.sync_api")
expect = playwright.expect
pytestmark = pytest.mark.browser
NOW = datetime.now(UTC).replace(microsecond=0)
# by its date: at midnight another day would be the newest
DAY = f"day?day={NOW:%Y-%m-%d}"
PAGES = ("day", DAY, "batch?batch-name=lot-7", "unit?serial=VC204-0103", "trend?of=rail_noise.ripple", "stations",
         "stations?of=rail_noise.ripple", "readings", "runs?verdict=fail", "runs?station=absent")  # fmt: skip
COUNT = itertools.count(1)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """Three days of two stations; the newest runs are of now, and one of them fails, also just after midnight."""
    with Logbook(tmp_path_factory.mktemp("line") / "line.sqlite") as book:
        for station in (1, 2):
            made = []
            for number in range(36):
                started = NOW - timedelta(minutes=1 + 120 * number + station)
                value = 0.05 if number % 12 == 3 else 0.03 + 1e-4 * (number % 7) + 1e-3 * station
                run = outcome(value=value, serial=f"VC204-0{station}{number:02}", seed=1 if number == 0 else None)
                made.append(replace(run, started=started, ended=started + timedelta(seconds=4)))
            book.enter_all(made, station=f"line_{station}", batch="lot-7")
        book.enter(replace(outcome(serial=HOSTILE), started=NOW, ended=NOW), station=HOSTILE, batch="lot-7")
        enter(book, "VC204-0199")
        yield book


class Command:
    """`wavewright serve`, which can be stopped and started again on the same port."""

    def __init__(self, where: str) -> None:
        self._where, self._kept = where, KeptPort()
        self.start()

    def start(self) -> None:
        words = ["serve", "--logbook", self._where, "--port", str(self._kept.number)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "wavewright", *words], stdout=subprocess.PIPE, text=True
        )
        self.address = re.search(r"http\S+", self._process.stdout.readline()).group()

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        self._process.communicate()

    def close(self) -> None:
        """Give the port back."""
        self._kept.close()


@pytest.fixture(scope="module")
def command(line: Logbook) -> Iterator[Command]:
    made = Command(line.where)
    yield made
    made.stop()
    made.close()


@pytest.fixture(scope="module")
def window(browser: Any) -> Iterator[tuple[Any, list[str]]]:
    """One window for all tests, and what was complained of in its console."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.set_default_timeout(20_000)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda fault: complaints.append(str(fault)))
    page.on("dialog", lambda dialog: complaints.append(dialog.message))
    yield page, complaints
    context.close()


@pytest.fixture
def page(window: tuple[Any, list[str]]) -> Iterator[Page]:
    shown, complaints = window
    complaints.clear()
    yield shown
    known = ("ERR_CONNECTION_REFUSED", "404", "willReadFrequently", "503")  # what a test causes itself
    assert [text for text in complaints if not any(one in text for one in known)] == []


def opened(page: Page, command: Command, address: str) -> None:
    page.goto(command.address + address)
    expect(page.locator("body[data-drawn]")).to_be_attached()
    expect(page.locator("#fresh")).to_contain_text("Follows the logbook. As of ")


def soon(page: Page) -> None:
    """As if the time between two requests were over: the page asks when it is shown again."""
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")


def enter(line: Logbook, serial: str, *, value: float = 0.05) -> str:
    later = NOW + timedelta(milliseconds=next(COUNT))  # on the same day
    run = replace(outcome(value=value, serial=serial), started=later, ended=later)
    return line.enter(run, station="line_1", batch="lot-7")


def test_a_new_run_is_shown_and_scroll_focus_and_zoom_stay(page: Page, command: Command, line: Logbook) -> None:
    opened(page, command, "batch?batch-name=lot-7")
    # given somebody who has scrolled, has the focus on a link, types a serial number, and looks closer at a picture
    page.get_by_label("Unit", exact=True).fill("VC204-0")
    page.locator("#days-yield").get_by_role("button", name="Zoom in").click()
    link = page.locator("#by-station + .wide a, section[aria-labelledby=by-station] a").first
    link.scroll_into_view_if_needed()
    link.focus()
    before = page.evaluate("scrollY"), page.locator("#days-yield .plot").get_attribute("data-view")
    page.evaluate("document.activeElement.mark = 'the same'")
    # when a run is entered that fails
    run = enter(line, "VC204-0900")
    soon(page)
    # then it is among the units that did not pass, and nothing of the reader's has moved
    expect(page.locator(f"#run-{run}")).to_contain_text("VC204-0900")
    expect(page.locator(f"#run-{run} .verdict")).to_have_text("fail")
    assert page.evaluate("document.activeElement.mark") == "the same"
    assert page.locator("#days-yield .plot").get_attribute("data-view") == before[1]
    assert page.get_by_label("Unit", exact=True).input_value() == "VC204-0"
    assert before[0] > 0
    # a row came above: the browser keeps what is looked at in its place
    assert link.evaluate("one => one.getBoundingClientRect().top >= 0 && one.getBoundingClientRect().top < innerHeight")


def test_a_page_follows_without_being_touched(page: Page, command: Command, line: Logbook) -> None:
    opened(page, command, DAY)
    run = enter(line, "VC204-0901")
    expect(page.locator(f"#run-{run}")).to_be_visible()


def test_numbers_that_may_be_old_look_so(page: Page, command: Command, line: Logbook) -> None:
    opened(page, command, DAY)
    verdict = page.locator(".verdict.fail").first
    colour = "one => getComputedStyle(one).color"
    fresh = verdict.evaluate(colour)
    # when the server is gone
    command.stop()
    soon(page)
    # then it is said, and no number looks like a new one
    expect(page.get_by_role("alert")).to_contain_text("The connection is lost. The numbers below are those of ")
    expect(page.locator("body.is-old")).to_be_attached()
    assert verdict.evaluate(colour) != fresh
    assert page.locator("#main").evaluate("one => getComputedStyle(one).outlineStyle") == "dashed"
    # when it is there again, then the page goes on, with what came meanwhile
    run = enter(line, "VC204-0902")
    command.start()
    soon(page)
    expect(page.locator(f"#run-{run}")).to_be_visible()
    expect(page.locator("body.is-old")).not_to_be_attached()
    expect(page.get_by_role("alert")).to_be_empty()


def test_from_a_number_down_to_the_picture_of_its_run(page: Page, command: Command) -> None:
    opened(page, command, DAY)
    page.get_by_role("link", name="rail_noise.ripple").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("rail_noise.ripple")
    # given the point of the picture that is the newest run but the hostile one, when it is clicked
    page.goto(command.address + "unit?serial=VC204-0100")
    page.locator("td[data-label=Report] a").click()
    expect(page.locator("#m1-trace canvas").first).to_be_visible()
    expect(page.get_by_role("link", name="All runs of VC204-0100")).to_be_visible()


def test_a_point_of_a_chart_leads_to_its_run(page: Page, command: Command) -> None:
    opened(page, command, "trend?of=rail_noise.ripple")
    over = page.locator("#individuals .u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    place = page.evaluate(
        "() => { const picture = document.querySelector('#individuals').chart.picture, one = picture.panels[0];"
        " const points = one.layers[0], [low, high] = [picture.axis.low, picture.axis.high];"
        " const above = one.axis.high - points.y[4];"
        " return [(points.x[4] - low) / (high - low), above / (one.axis.high - one.axis.low)]; }"
    )
    page.mouse.click(box["x"] + place[0] * box["width"], box["y"] + place[1] * box["height"])
    page.wait_for_url(re.compile(r"run\?id="))
    expect(page.get_by_role("heading", level=1)).to_have_text("VC-204 rail")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_can_be_read_by_everybody(page: Page, command: Command, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page.emulate_media(color_scheme=scheme)
    found = []
    for address in PAGES if scheme == "light" else PAGES[:4]:  # the same styles, in other colours
        page.goto(command.address + address)
        page.locator("body[data-drawn]").wait_for(state="attached")
        found += [
            (address, one["id"], [node["target"] for node in one["nodes"]][:3])
            for one in Axe().run(page).response["violations"]
        ]
    page.emulate_media(color_scheme="light")
    assert found == []


def test_nothing_is_cut_off_in_a_narrow_window(page: Page, command: Command) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    wide = {}
    for address in PAGES:
        page.goto(command.address + address)
        page.locator("body[data-drawn]").wait_for(state="attached")
        wide[address] = page.evaluate("document.documentElement.scrollWidth")
    page.set_viewport_size({"width": 1280, "height": 900})
    assert set(wide.values()) == {390}


def test_a_filter_is_taken_off_and_chosen_without_a_mouse(page: Page, command: Command) -> None:
    opened(page, command, "day?station=line_1")
    page.get_by_role("link", name="Without the filter station").press("Enter")
    page.wait_for_url(re.compile(r"/day$"))
    page.locator("summary", has_text="Filters").press("Enter")
    page.get_by_label("Station", exact=True).select_option("line_2")
    page.get_by_role("button", name="Apply").press("Enter")
    page.wait_for_url(re.compile(r"day\?.*station=line_2"))
    expect(page.locator(".filters")).to_contain_text("station line_2")
