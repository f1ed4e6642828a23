"""`wavewright watch` in a real Chromium, from the file to the screen and back: the command and the page together."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image, ImageDraw

from tests.pages.test_watch_page import no_findings
from wavewright.logbook.formats.catalogue import write_waveforms
from wavewright.waveform import Waveform

if TYPE_CHECKING:
    from playwright.sync_api import Page

expect = pytest.importorskip("playwright.sync_api").expect
pytestmark = pytest.mark.browser

RECIPE = """\
wavewright: 1
title: Is the 3.3 V rail quiet?   # a comment that stays
measurements:
  rail_noise:
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV, probe: 1x}   # short ground spring
    timebase: {span: 2 ms, rate: 25 MHz}
    compute:
      ripple: {metric: peak_to_peak, limit: at most 70 mV}
"""
KEPT = os.environ.get("WAVEWRIGHT_SCREENSHOTS", "")  # a folder for pictures of the page, to be looked at
GLITCH = 20_001  # sample of the record that stands out, at 40 ns a sample


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recipe and the record that it is followed on: 50 000 samples, one of them 45 mV."""
    made = tmp_path_factory.mktemp("watched")
    times = np.arange(50_000) * 40e-9
    volts = 0.015 * np.sin(2 * np.pi * 340e3 * times)
    volts[GLITCH] = 0.045
    write_waveforms(made / "trace.npz", {"rail": Waveform.from_volts(volts, interval=40e-9, name="rail")})
    return made


@contextmanager
def at_work(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command, and the address that it has said."""
    (folder / "rail.yaml").write_text(RECIPE, encoding="utf-8")
    arguments = ["watch", "rail.yaml", "--file", "trace.npz", "--no-open"]
    with subprocess.Popen(
        [sys.executable, "-m", "wavewright", *arguments], cwd=folder, stdout=subprocess.PIPE, text=True
    ) as process:
        found = re.search(r"http\S+", process.stdout.readline())
        try:
            yield process, found.group()
        finally:
            process.kill()


@pytest.fixture(scope="module")
def command(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command at work, for all tests that leave it so."""
    with at_work(folder) as made:
        yield made


@pytest.fixture
def page(browser: object, folder: Path, command: tuple[object, str]) -> Iterator[Page]:
    with opened(browser, folder, command[1]) as page:
        yield page


@contextmanager
def opened(browser: object, folder: Path, address: str) -> Iterator[Page]:
    """The page of the command, with the recipe as it was at the beginning."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})  # type: ignore[attr-defined]
    page = context.new_page()
    (folder / "rail.yaml").write_text(RECIPE, encoding="utf-8")
    page.goto(address)
    # nothing of the text that another test may have left
    expect(page.locator("ol.lines > li")).to_have_count(len(RECIPE.splitlines()))
    expect(page.locator("input[data-id$='timebase.span']")).to_have_value("2 ms")
    expect(page.locator("input[data-id$='ripple.limit']")).to_have_value("70 mV")
    expect(page.locator("#verdict")).to_have_text("pass", timeout=20_000)
    yield page
    context.close()


def file_of(folder: Path) -> str:
    return (folder / "rail.yaml").read_text(encoding="utf-8")


def test_a_turned_limit_is_in_the_file_and_changes_the_verdict_and_undo_takes_it_back(page: Page, folder: Path) -> None:
    # given a ripple of 60 mV, which passes
    field = page.locator("input[data-id$='ripple.limit']")
    # when the limit is typed below it
    field.fill("50 mV")
    field.press("Enter")
    # then the file has it, everything else in it is as it was, and the verdict follows
    expect(page.locator("#verdict")).to_have_text("fail")
    assert file_of(folder) == RECIPE.replace("70 mV", "50 mV")
    field.press("ArrowUp")
    expect(field).not_to_have_value("50 mV")
    for _ in range(2):
        expect(page.get_by_role("button", name="Undo")).to_be_enabled()
        page.get_by_role("button", name="Undo").click()
    expect(page.locator("#verdict")).to_have_text("pass")
    assert file_of(folder) == RECIPE


def test_a_save_by_another_editor_is_shown_with_its_fault_and_the_cure(page: Page, folder: Path) -> None:
    (folder / "rail.yaml").write_text(RECIPE.replace("span: 2 ms", "span: 2 msec"), encoding="utf-8")
    fault = page.locator("li[data-line='7'] .fault-said")
    expect(fault).to_contain_text("2 msec")
    expect(fault).to_contain_text("did you mean `2 ms`?")
    expect(page.locator("#stale")).to_contain_text("the recipe has a fault in line 7")
    expect(page.locator("#chart canvas").first).to_be_visible()
    (folder / "rail.yaml").write_text(RECIPE, encoding="utf-8")
    expect(page.locator("#stale")).to_be_hidden()


def photograph(shade: int) -> bytes:
    """A board with a test point, as somebody would photograph it."""
    made = io.BytesIO()
    board = Image.new("RGB", (900, 560), (20, shade, 60))
    draw = ImageDraw.Draw(board)
    draw.rectangle((120, 90, 420, 330), fill=(30, 30, 34))
    draw.ellipse((610, 200, 690, 280), fill=(212, 175, 55))
    draw.line((650, 240, 880, 20), fill=(200, 30, 30), width=14)
    board.save(made, "PNG")
    return made.getvalue()


@pytest.mark.parametrize("width", [1280, 390])
def test_the_pictures_of_the_recipe_are_drawn_and_follow_their_files(page: Page, folder: Path, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    (folder / "tp3.png").write_bytes(photograph(90))
    (folder / "<img src=x>.png").unlink(missing_ok=True)
    place = "  rail_noise:\n    place: Probe 1 on TP3.\n    pictures: [tp3.png, '<img src=x>.png']\n"
    (folder / "rail.yaml").write_text(RECIPE.replace("  rail_noise:\n", place), encoding="utf-8")
    drawn, whole = page.locator("#probe-pictures img"), "one => one.complete && one.naturalWidth"
    expect(page.locator("#probe-place-said")).to_have_text("Probe 1 on TP3.")
    expect(drawn).to_have_count(1)
    page.wait_for_function("() => document.querySelector('#probe-pictures img').naturalWidth === 900")
    box = drawn.bounding_box()
    assert box["width"] <= width
    assert box["width"] / box["height"] == pytest.approx(900 / 560, rel=0.02)
    expect(page.locator(".no-picture")).to_contain_text("Not shown: picture `<img src=x>.png` cannot be read")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    no_findings(page)
    if KEPT:
        page.screenshot(path=f"{KEPT}/watch-{width}.png")
    # when a file is replaced, and the missing one comes, then both are drawn as they are now
    before = drawn.first.get_attribute("src")
    (folder / "tp3.png").write_bytes(photograph(160))
    (folder / "<img src=x>.png").write_bytes(photograph(30))
    expect(drawn).to_have_count(2)
    expect(drawn.first).not_to_have_attribute("src", before)
    assert drawn.evaluate_all(f"all => all.every({whole})") or drawn.first.evaluate("one => one.decode()") is None
    (folder / "rail.yaml").write_text(RECIPE, encoding="utf-8")
    expect(page.locator("#probe-place")).to_be_hidden()


def test_the_text_is_typed_and_saved(page: Page, folder: Path) -> None:
    page.get_by_role("button", name="Write in the text").click()
    text = page.get_by_label("Text of the recipe")
    text.fill(RECIPE.replace("at most 70 mV", "at most 55 mV"))
    text.press("Control+s")
    expect(page.locator("#verdict")).to_have_text("fail")
    assert "at most 55 mV" in file_of(folder)
    assert "# a comment that stays" in file_of(folder)


def test_no_sample_is_lost_on_the_way_to_the_screen_at_any_zoom(page: Page) -> None:
    """What is under the pointer is said in numbers, lowest and highest of its pixel: one sample of 50 000 is there."""
    over = page.locator("#chart .u-over").first
    over.scroll_into_view_if_needed()
    for zoom in range(3):
        if zoom:
            middle = place_of(page, GLITCH * 40e-9)
            page.mouse.move(middle - 30, over.bounding_box()["y"] + 60)
            page.mouse.down()
            page.mouse.move(middle + 30, over.bounding_box()["y"] + 90, steps=3)
            page.mouse.up()
            expect(page.locator("#chart-said")).to_contain_text("a part of the record")
        under_glitch(page)


def under_glitch(page: Page) -> float:
    """Where on the screen the one sample of 45 mV is under the pointer, in pixels from the left."""
    middle, top = place_of(page, GLITCH * 40e-9), page.locator("#chart .u-over").first.bounding_box()["y"]
    for pixel in range(-3, 4):
        page.mouse.move(middle + pixel, top + 60)
        if "45\u202fmV" in page.locator(".chart-readout").text_content():
            return middle + pixel
    pytest.fail("the sample of 45 mV is not under the pointer")


def test_two_clicked_places_become_a_metric_and_a_dragged_box_the_span(page: Page, folder: Path) -> None:
    over = page.locator("#chart .u-over").first
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    # the highest sample, and one of the lowest: a click near the trace means the trace
    page.mouse.click(under_glitch(page), box["y"] + 2)
    page.mouse.click(box["x"] + 0.7 * box["width"], box["y"] + box["height"] - 2)
    expect(page.locator("#places")).to_contain_text("rail at 45\u00a0mV")
    page.get_by_role("button", name="Write the level difference as a metric").click()
    expect(page.locator("#readings th[scope=row]")).to_have_count(2)
    written = file_of(folder)
    assert len(written.splitlines()) == len(RECIPE.splitlines()) + 1
    for line in RECIPE.splitlines():  # comments and layout of all else stay
        assert line in written.splitlines()
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 90, steps=3)
    page.mouse.up()
    page.get_by_role("button", name="Make this the span").click()
    span = page.locator("input[data-id$='timebase.span']")
    # it ends where the box does, at three quarters of 2 ms; a record does not begin after its trigger
    expect(span).to_have_value(re.compile(r"^1\.(49\d*|50?\d*) ms$"))


def place_of(page: Page, time: float) -> float:
    """Where on the screen a time of the picture is, in pixels from the left."""
    low, high = (float(end) for end in page.locator("#chart").get_attribute("data-view").split())
    box = page.locator("#chart .u-over").first.bounding_box()
    return box["x"] + (time - low) / (high - low) * box["width"]


def test_a_second_page_watches_until_the_first_gives_the_hand_back(page: Page, command: tuple[object, str]) -> None:
    second = page.context.new_page()
    second.goto(command[1])
    expect(second.locator("#hand")).to_contain_text("Another page has the hand")
    second.get_by_role("button", name="Ask for the hand").click()
    expect(second.locator("#messages")).to_contain_text("another page has the hand")
    expect(page.locator("#messages")).to_contain_text("another page asks for the hand")
    page.locator("#hand").get_by_role("button", name="Give it back").click()
    second.get_by_role("button", name="Take the hand").click()
    expect(second.locator("#hand")).to_contain_text("You have the hand")
    expect(page.locator("#hand")).to_contain_text("Another page has the hand")
    second.close()
    expect(page.locator("#hand")).to_contain_text("Nobody has the hand")


@pytest.mark.posix("signals that a process cannot refuse")
def test_a_program_that_stands_still_is_noticed_and_its_end_is_said(browser: object, folder: Path) -> None:
    with at_work(folder) as (process, address), opened(browser, folder, address) as page:
        process.send_signal(signal.SIGSTOP)
        expect(page.locator("#line")).to_contain_text("Nothing was heard from the program", timeout=20_000)
        expect(page.get_by_role("button", name="Hold")).to_be_disabled()
        process.send_signal(signal.SIGCONT)
        expect(page.locator("#line")).to_be_empty()
        process.terminate()
        expect(page.locator("#line")).to_contain_text("The program has ended")
