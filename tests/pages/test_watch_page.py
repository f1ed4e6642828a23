"""The page of `watch` in a real browser, used as a person uses it; the program's side is a feed of the test's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.pages.feed import RECIPE, Feed, frames, numbers, readings, recipe, said, shot, state
from wavewright.pages.protocol import DensityMessage, FoundMessage, ShownFault, ShownFrame, ShownNumber, ShownOutputs

if TYPE_CHECKING:
    from playwright.sync_api import FloatRect, Locator, Page

expect = pytest.importorskip("playwright.sync_api").expect
pytestmark = pytest.mark.browser

FAULT = ShownFault(7, 22, "`2 msec` has no known unit", "write `2 ms`")
FAULTY = RECIPE.replace("2 ms", "2 msec")
CAUTION = "The coil terminals fly back to 60 V at switch-off. Keep the cover closed while the run is on."
CAN_SWITCH = ShownOutputs(asked=True)
IS_ON = ShownOutputs(asked=True, confirmed=True, on=True, off_at=1e9)
READ = ShownFrame(2e-4, 4e-4, "0x48 read: 15 9F", {"acknowledged": True, "data": "15 9F"}, (), "sensor")
WRITE = ShownFrame(
    1e-3, 1.2e-3, "0x48 write: 01", {"acknowledged": False, "data": "01"}, ("not_acknowledged",), "sensor"
)
Opened = Callable[..., "Page"]
DARK_PIXELS = """() => {
  const canvas = document.querySelector("#chart canvas");
  const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, Math.round(canvas.height / 2)).data;
  let dark = 0;
  for (let k = 0; k < pixels.length; k += 4) {
    if (pixels[k + 3] * (765 - pixels[k] - pixels[k + 1] - pixels[k + 2]) > 0.3 * 255 * 765) dark += 1;
  }
  return dark;
}"""
OUT_OF_SIGHT = """(width) => [...document.querySelectorAll("main *, header *")]
  .filter((one) => one.getBoundingClientRect().right > width + 0.5 && !one.closest(".unseen"))
  .map((one) => one.outerHTML.slice(0, 80))"""
TOPS = """["#verdict", "#chart", "#readings", "#frames", "#recipe"]
  .map((one) => document.querySelector(one).getBoundingClientRect().top)"""
LABELS = """[...document.querySelectorAll("#readings tbody tr:first-child > *")]
  .map((one) => getComputedStyle(one, "::before").content)"""
LABELLED = [f'"{text}"' for text in ("Measured value", "Interval, 95\u00a0%", "Limit", "Margin")]
NAME = "(one) => one.tagName + (one.dataset.id || one.id || one.textContent.trim())"
FOCUSED = f"""(() => {{
  const one = document.activeElement, style = getComputedStyle(one);
  return [({NAME})(one), style.outlineStyle, parseFloat(style.outlineWidth)]; }})()"""
CONTROLS = f"""[...document.querySelectorAll("button, input, select, a")]
  .filter((one) => one.checkVisibility() && !one.disabled).map({NAME})"""


def ripple(samples: int = 8000, *, amplitude: float = 0.015) -> np.ndarray:
    """Four periods over the record, with 4 mV of a fast ripple on each side."""
    turns = np.arange(samples) / samples
    return amplitude * np.sin(2 * np.pi * 4 * turns) + 0.004 * np.sign(np.sin(2 * np.pi * 500 * turns))


def begin(feed: Feed, **more: object) -> None:
    """What the program says first: recipe, state, a shot and its readings."""
    feed.say(recipe())
    feed.say(state(**more))
    feed.say(*shot({"rail": ripple()}))
    feed.say(readings())


@pytest.fixture
def page(feed: Feed, opened: Opened) -> Page:
    """The page of somebody who has the hand, with a shot drawn."""
    begin(feed)
    page = opened()
    drawn(page, 12)
    return page


def drawn(page: Page, number: int) -> None:
    expect(page.locator("#picture")).to_have_attribute("data-shot", str(number))


def number(page: Page, role: str) -> Locator:
    return page.locator(f"input.turn[data-id={role}]")


def no_findings(page: Page) -> None:
    """The automatic accessibility check finds nothing."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def letter(page: Page, key: str) -> None:
    """A key while nothing has the focus."""
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press(key)


# -------------------------------------------------------------------------------------------------- the recipe


def test_the_page_says_what_is_going_on_in_one_sentence(page: Page) -> None:
    expect(page.locator("h1")).to_have_text("Is the 3.3 V rail quiet?")
    expect(page.locator("#state")).to_contain_text("Running on a simulated bench. 12 shots, 12 a second")
    expect(page.locator("#hand")).to_contain_text("You have the hand")
    expect(page.locator("#verdict")).to_have_text("pass")


def test_a_number_is_turned_with_keys_at_its_place_in_the_text(page: Page, feed: Feed) -> None:
    # given the field of the limit, which stands in the line of the recipe that has it
    field = number(page, "limit")
    line = page.locator("li[data-line='10'] code")
    assert line.locator("input").count() == 1
    # when it is turned by one, and then by ten steps back
    field.press("ArrowUp")
    assert feed.hear(do="nudge")[-1] == {"do": "nudge", "id": "limit", "steps": 1}
    feed.say(recipe(RECIPE.replace("40 mV", "41 mV"), revision=2, numbers=turned("41 mV")))
    # then the page shows what the file says now, and the field keeps the focus
    expect(field).to_have_value("41 mV")
    expect(field).to_be_focused()
    field.press("Shift+ArrowDown")
    assert feed.hear(do="nudge", count=2)[-1]["steps"] == -10


def turned(limit: str) -> tuple[ShownNumber, ...]:
    return tuple(replace(one, text=limit) if one.id == "limit" else one for one in numbers())


def test_turns_of_a_key_held_down_are_added_up_and_none_is_lost(page: Page, feed: Feed) -> None:
    field = number(page, "limit")
    for _ in range(5):
        field.press("ArrowUp")
    feed.say(recipe(RECIPE.replace("40 mV", "41 mV"), revision=2, numbers=turned("41 mV")))
    feed.hear(do="nudge", count=2)
    assert [one["steps"] for one in feed.asked if one["do"] == "nudge"] == [1, 4]


def test_a_typed_number_is_entered_or_taken_back(page: Page, feed: Feed) -> None:
    field = number(page, "span")
    field.fill("5 ms")
    field.press("Escape")
    expect(field).to_have_value("2 ms")
    field.fill("4 ms")
    field.press("Enter")
    assert feed.hear(do="edit") == [{"do": "edit", "id": "span", "text": "4 ms", "revision": 1}]


def test_a_number_that_was_refused_stays_to_be_mended(page: Page, feed: Feed) -> None:
    field = number(page, "span")
    field.fill("4 msec")
    field.press("Enter")
    feed.hear(do="edit")
    feed.say(said("refused", "`4 msec` has no known unit"))
    expect(page.locator("#messages")).to_contain_text("Refused: `4 msec` has no known unit")
    expect(field).to_have_value("4 msec")
    field.press("Escape")
    expect(field).to_have_value("2 ms")


def test_what_is_being_typed_survives_a_change_elsewhere_in_the_file(page: Page, feed: Feed) -> None:
    field = number(page, "span")
    field.fill("4 m")
    text = RECIPE.replace("measurements:", "part: VC-204\nmeasurements:")
    feed.say(recipe(text, revision=2, from_outside=True))
    expect(page.locator("li.changed")).to_contain_text("part: VC-204")
    expect(field).to_have_value("4 m")
    expect(field).to_be_focused()
    field.press("Escape")
    expect(field).to_have_value("2 ms")


def test_the_whole_text_is_written_and_saved(page: Page, feed: Feed) -> None:
    letter(page, "e")
    text = page.get_by_label("Text of the recipe")
    expect(text).to_be_focused()
    text.fill(FAULTY)
    expect(page.locator("#recipe-said")).to_contain_text("not saved yet")
    text.press("Control+s")
    assert feed.hear(do="text") == [{"do": "text", "revision": 1, "text": FAULTY}]
    # the file has it now, with a fault: it is said at its line, and the caret can be brought there
    feed.say(recipe(FAULTY, revision=2, faults=(FAULT,), numbers=()))
    feed.say(state(doing="faulty"))
    expect(page.locator("#recipe-said")).to_contain_text("A fault in line 7")
    no_findings(page)
    page.get_by_role("button", name="To line 7").click()
    assert page.evaluate("document.activeElement.selectionStart") == FAULTY.index("2 msec")
    page.keyboard.press("Escape")
    line = page.locator("li[data-line='7']")
    expect(line.locator(".fault-said")).to_have_text("Line 7, column 22: `2 msec` has no known unit Do: write `2 ms`")


def test_line_ends_of_the_file_stay_as_they_are(feed: Feed, opened: Opened) -> None:
    begin(feed)
    feed.say(recipe(RECIPE.replace("\n", "\r\n")))
    page = opened()
    drawn(page, 12)
    letter(page, "e")
    text = page.get_by_label("Text of the recipe")
    expect(page.locator("#recipe-said")).not_to_contain_text("not saved")
    text.fill(FAULTY)
    text.press("Control+s")
    assert feed.hear(do="text")[0]["text"] == FAULTY.replace("\n", "\r\n")


def test_a_faulty_text_leaves_the_last_good_picture_and_says_so(page: Page, feed: Feed) -> None:
    feed.say(recipe(FAULTY, revision=2, faults=(FAULT,), numbers=()))
    expect(page.locator("#stale")).to_have_text(
        "Picture and readings are those of the earlier text: the recipe has a fault in line 7."
    )
    expect(page.locator("#chart canvas").first).to_be_visible()
    # mended, but not measured yet; then measured
    feed.say(recipe(revision=3))
    expect(page.locator("#stale")).to_contain_text("the next shot has not come yet")
    feed.say(state(doing="holding"))
    expect(page.locator("#stale")).to_contain_text("no shot was taken since")
    feed.say(*shot({"rail": ripple()}, number=13))  # taken before the text was mended, and late
    drawn(page, 13)
    expect(page.locator("#stale")).to_be_visible()
    feed.say(*shot({"rail": ripple()}, number=1, revision=3))
    drawn(page, 1)
    expect(page.locator("#stale")).to_be_visible()  # the readings are still those of the earlier text
    feed.say(readings(revision=3))
    expect(page.locator("#stale")).to_be_hidden()


def test_a_change_by_another_program_wins_and_is_marked(page: Page, feed: Feed) -> None:
    letter(page, "e")
    page.get_by_label("Text of the recipe").fill(RECIPE + "# my own remark\n")
    outside = RECIPE.replace("short ground spring", "long ground lead")
    feed.say(recipe(outside, revision=2, from_outside=True))
    # the file is shown, and what was typed is at hand
    expect(page.get_by_label("Text of the recipe")).to_have_value(outside)
    kept = page.get_by_label("Text that was not saved")
    expect(kept).to_contain_text("Another program changed the file meanwhile")
    expect(kept.locator("pre")).to_contain_text("# my own remark")
    page.keyboard.press("Escape")
    expect(page.locator("li.changed")).to_have_count(1)
    expect(page.locator("li.changed")).to_contain_text("long ground lead")
    kept.get_by_role("button", name="Go on with your text").click()
    expect(page.get_by_label("Text of the recipe")).to_have_value(RECIPE + "# my own remark\n")


def test_undo_and_redo_are_there_when_there_is_something(page: Page, feed: Feed) -> None:
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    feed.say(recipe(revision=2, undo=True, redo=True))
    expect(page.get_by_role("button", name="Undo")).to_be_enabled()
    letter(page, "z")
    assert feed.hear(do="undo") == [{"do": "undo", "revision": 2}]
    feed.say(recipe(revision=3, redo=True))
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    letter(page, "y")
    assert feed.hear(do="redo") == [{"do": "redo", "revision": 3}]


def test_steps_back_that_are_asked_for_quickly_each_wait_for_the_text_they_are_meant_for(
    page: Page, feed: Feed
) -> None:
    feed.say(recipe(revision=4, undo=True))
    expect(page.get_by_role("button", name="Undo")).to_be_enabled()
    for _ in range(3):
        letter(page, "z")
    for revision in (5, 6):
        feed.say(recipe(revision=revision, undo=True))
        feed.hear(do="undo", count=revision - 3)
    feed.say(recipe(RECIPE + "# the newest\n", revision=7, undo=True))
    expect(page.locator("#recipe")).to_contain_text("# the newest")
    letter(page, "h")
    feed.hear(do="hold")
    assert [one["revision"] for one in feed.asked if one["do"] == "undo"] == [4, 5, 6]


@pytest.mark.parametrize("answer", ["outside", "refused", "nothing left", "hand lost"])
def test_no_further_step_back_goes_where_the_text_is_no_longer_what_it_was_meant_for(
    page: Page, feed: Feed, answer: str
) -> None:
    feed.say(recipe(revision=4, undo=True))
    expect(page.get_by_role("button", name="Undo")).to_be_enabled()
    for _ in range(3):
        letter(page, "z")
    if answer == "outside":
        feed.say(recipe(RECIPE + "# by another\n", revision=5, undo=True, from_outside=True))
    elif answer == "refused":
        feed.say(said("refused", "the file has been changed meanwhile"))
    elif answer == "nothing left":
        feed.say(recipe(revision=5, undo=False))
    else:
        feed.say(state(hand="other"))
        expect(page.get_by_role("button", name="Undo")).to_be_disabled()
        feed.say(state())
    # then the next one is one that is asked for anew
    feed.say(recipe(RECIPE + "# the newest\n", revision=6, undo=True))
    expect(page.locator("#recipe")).to_contain_text("# the newest")
    letter(page, "h")
    feed.hear(do="hold")
    assert [one["revision"] for one in feed.asked if one["do"] == "undo"] == [4]
    letter(page, "z")
    assert feed.hear(do="undo", count=2)[-1]["revision"] == 6


def test_text_of_a_file_never_becomes_part_of_the_page(page: Page, feed: Feed) -> None:
    nasty = RECIPE.replace("short ground spring", "<img src=x onerror=alert(1)>")
    feed.say(recipe(nasty, revision=2, name="<b>x</b>.yaml"))
    feed.say(readings("pass", "<script>alert(1)</script>"))
    expect(page.locator("li[data-line='4']")).to_contain_text("<img src=x onerror=alert(1)>")
    expect(page.locator("#readings")).to_contain_text("<script>alert(1)</script>")
    assert page.locator("main img, main b, main script").count() == 0


# ------------------------------------------------------------------------------------------------- the picture


def box_of(page: Page, panel: int = 0) -> FloatRect:
    over = page.locator("#chart .u-over").nth(panel)
    over.scroll_into_view_if_needed()
    return over.bounding_box()


def test_a_dragged_box_asks_for_its_columns_and_becomes_the_span(page: Page, feed: Feed) -> None:
    box = box_of(page)
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 80, steps=4)
    page.mouse.up()
    view = feed.hear(do="view")[-1]
    # a quarter of 2 ms from a quarter of it on, to within two pixels
    pixel = 2e-3 / box["width"]
    assert view["start"] == pytest.approx(0.5e-3, abs=2 * pixel)
    assert view["span"] == pytest.approx(0.5e-3, abs=4 * pixel)
    assert view["columns"] == pytest.approx(box["width"], abs=80)
    # dragging is not clicking
    expect(page.locator("#places")).to_be_hidden()
    page.get_by_role("button", name="Make this the span").click()
    made = feed.hear(do="span_from_view")[-1]
    assert (made["start"], made["span"], made["revision"]) == (view["start"], view["span"], 1)
    feed.hear(do="whole_view", count=2)


def test_a_single_sample_is_drawn_whatever_the_width(page: Page, feed: Feed) -> None:
    volts = ripple(200_000)
    volts[81_234] = 0.2
    feed.say(*shot({"rail": volts}, number=13))
    drawn(page, 13)
    # the axis reaches to 0.2 V, the ripple is in the lowest fifth; above, the glitch alone differs: as dark as
    # ink, or half as dark where it lies on two columns of pixels
    glitch = page.evaluate(DARK_PIXELS)
    volts[81_234] = volts[81_233]
    feed.say(*shot({"rail": volts}, number=14))
    drawn(page, 14)
    assert glitch - page.evaluate(DARK_PIXELS) > 50  # pixels of a line from the ripple to the top


def test_two_places_become_a_metric_on_request(page: Page, feed: Feed) -> None:
    box = box_of(page)
    page.mouse.click(box["x"] + 0.25 * box["width"], box["y"] + 0.5 * box["height"])
    expect(page.locator("#places")).to_contain_text("Pick a second one")
    page.mouse.click(box["x"] + 0.75 * box["width"], box["y"] + 0.5 * box["height"])
    expect(page.locator("#places")).to_contain_text("apart")
    page.get_by_role("button", name="Write the time between them as a metric").click()
    asked = feed.hear(do="add_metric")[-1]
    assert asked["type"] == "time_between"
    first, second = asked["at"]
    assert (first["channel"], second["channel"]) == ("rail", "rail")
    assert second["time"] - first["time"] == pytest.approx(1e-3, rel=0.01)
    # the level is one that the trace has there: four periods on the record, so 0 V at a quarter and at three quarters
    assert abs(first["level"]) <= 0.005
    page.get_by_role("button", name="Write the level difference as a metric").click()
    assert feed.hear(do="add_metric", count=2)[-1]["type"] == "level_difference"


def test_places_are_picked_with_keys_alone(page: Page, feed: Feed) -> None:
    page.locator("#chart").focus()
    for key in (".", "Enter", ">", ">", "Enter"):
        page.keyboard.press(key)
    expect(page.locator("#places")).to_contain_text("apart")
    page.keyboard.press("Escape")
    expect(page.locator("#places")).to_be_hidden()


def test_shots_are_laid_on_top_of_one_another(page: Page, feed: Feed) -> None:
    counts = np.zeros((20, 50), dtype="<u4")
    counts[10, :] = 250
    counts[3, 7] = 1
    outline = {"times": [2.8e-4], "step": 4e-5, "lows": [-0.035], "highs": [-0.03], "label": "shot 177"}
    density = DensityMessage(
        simulated=True, measurement="rail_noise", channel="rail", unit="V", rows=20, columns=50, start=0.0, span=2e-3,
        lowest=-0.05, highest=0.05, shots=250, most=250, rare=({"shot": 177, "outline": outline},), revision=1,
    )  # fmt: skip
    feed.say(density, counts.tobytes())
    button = page.get_by_role("button", name="Shots on top of one another")
    expect(button).to_be_visible()
    letter(page, "d")
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#chart-said")).to_contain_text("250 shots of rail on top of one another")
    expect(page.locator("#chart-said")).to_contain_text("1 rare path")
    # one of an earlier text that comes late is let go
    feed.say(replace(density, shots=9, revision=0), counts.tobytes())
    feed.say(*shot({"rail": ripple()}, number=13))
    drawn(page, 13)
    expect(page.locator("#chart-said")).to_contain_text("250 shots of rail")
    letter(page, "1")
    assert feed.hear(do="next")[-1]["what"] == "rare"
    feed.say(FoundMessage(simulated=True, what="rare", text="shot 177, low for 282 ns", start=2.2e-4, end=2.3e-4))
    view = feed.hear(do="view")[-1]
    assert view["start"] < 2.2e-4
    assert view["start"] + view["span"] > 2.3e-4
    expect(page.locator("#chart-said")).to_contain_text("Found: shot 177, low for 282 ns.")


def test_a_reference_is_named_and_can_be_forgotten(page: Page, feed: Feed) -> None:
    letter(page, "k")
    assert feed.hear(do="reference")[-1]["keep"] is True
    feed.say(*shot({"rail": ripple()}, number=13, reference={"rail": ripple(amplitude=0.012)}))
    expect(page.locator("#chart-said")).to_contain_text("In grey: rail, reference")
    page.get_by_role("button", name="Forget the reference").click()
    assert feed.hear(do="reference", count=2)[-1]["keep"] is False


def test_run_hold_and_one_shot(page: Page, feed: Feed) -> None:
    for key, word in (("h", "hold"), ("s", "single"), ("r", "run")):
        letter(page, key)
        feed.hear(do=word)
    feed.say(state(doing="holding"))
    expect(page.locator("#state")).to_contain_text("Holding: no shot is taken")
    expect(page.get_by_role("button", name="Hold")).to_have_attribute("aria-pressed", "true")


def test_the_newest_shot_wins_and_each_drawn_one_is_acknowledged(page: Page, feed: Feed) -> None:
    for number in range(13, 40):
        feed.say(*shot({"rail": ripple()}, number=number))
    drawn(page, 39)
    acknowledged = [one["number"] for one in feed.hear(do="drawn")]
    assert acknowledged == sorted(set(acknowledged))
    assert acknowledged[-1] == 39


def test_a_measurement_is_chosen(page: Page, feed: Feed) -> None:
    feed.say(state(measurements=("rail_noise", "reset_hold")))
    page.get_by_label("Measurement").select_option("reset_hold")
    assert feed.hear(do="measurement")[-1]["label"] == "reset_hold"
    feed.say(state(measurements=("rail_noise", "reset_hold"), measurement="reset_hold"))
    # until something of it has come, what is shown is of the other one, and the page says so
    expect(page.locator("#stale")).to_contain_text("Picture and readings are those of rail_noise")
    feed.say(*shot({"reset": ripple()}, number=1, measurement="reset_hold"))
    expect(page.get_by_role("heading", name="reset_hold")).to_be_visible()
    drawn(page, 1)


# ------------------------------------------------------------------------------------- readings, frames, limits


def test_readings_begin_with_the_verdict_and_say_doubts_with_their_cure(page: Page, feed: Feed) -> None:
    doubt = {"code": "few_codes", "text": "the record uses 21 of 256 codes", "cure": "take a smaller range"}
    feed.say(readings("inconclusive", "57.8 mV", doubts=(doubt,)))
    expect(page.locator("#verdict")).to_have_text("inconclusive")
    cells = page.locator("#readings tbody tr").first.locator("td, th")
    expect(cells).to_have_text(
        ["inconclusive", "ripple", "57.8 mV", "30.9 mV .. 31.5 mV", "at most 40 mV", "8.8 mV"], ignore_case=True
    )
    expect(page.locator("#readings .remarks")).to_have_text(
        "in doubt: few codes the record uses 21 of 256 codes. Do: take a smaller range."
    )


def test_limits_are_proposed_from_the_last_shots(page: Page, feed: Feed) -> None:
    page.get_by_label("Propose limits from the last").fill("40")
    page.get_by_role("button", name="Write them into the recipe").click()
    assert feed.hear(do="limits_from_last") == [{"do": "limits_from_last", "shots": 40, "revision": 1}]


def test_a_frame_is_shown_in_the_trace(page: Page, feed: Feed) -> None:
    feed.say(frames(READ, WRITE))
    expect(page.locator("#frames")).to_contain_text("2 frames in this shot, 1 damaged.")
    page.get_by_role("button", name="sensor: 0x48 read: 15 9F").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    view = feed.hear(do="view")[-1]
    assert view["start"] < WRITE.time
    assert view["start"] + view["span"] > WRITE.end
    expect(page.locator("#frames tr[aria-current]")).to_contain_text("not acknowledged")
    letter(page, "2")
    asked = feed.hear(do="next")[-1]
    assert (asked["what"], asked["from"]) == ("damaged", pytest.approx(1.2e-3))


# ---------------------------------------------------------------------------------------------------- outputs


def test_an_output_goes_on_only_after_the_cautions_were_read(page: Page, feed: Feed) -> None:
    feed.say(state(outputs=CAN_SWITCH, cautions=(CAUTION,)))
    box = page.locator("#outputs")
    expect(box).to_contain_text(CAUTION)
    expect(box).to_contain_text("All outputs are off")
    confirm = box.get_by_role("button", name="Confirm")
    expect(confirm).to_be_disabled()
    box.get_by_role("checkbox").check()
    confirm.click()
    assert feed.hear(do="outputs") == [{"do": "outputs", "confirm": True, "revision": 1}]
    feed.say(state(outputs=IS_ON, cautions=(CAUTION,)))
    expect(box).to_contain_text("An output is ON")
    expect(box).to_contain_text("does not answer for 5 s")


def test_off_is_one_key_away_from_everywhere(page: Page, feed: Feed) -> None:
    feed.say(state(outputs=IS_ON, cautions=(CAUTION,)))
    off = page.get_by_role("button", name="Outputs off")
    expect(off).to_be_visible()
    no_findings(page)
    letter(page, "o")
    letter(page, "e")  # while writing
    page.keyboard.press("F8")
    page.keyboard.press("Escape")
    number(page, "span").press("F8")
    letter(page, "?")
    page.keyboard.press("F8")  # in the list of keys
    page.keyboard.press("Escape")
    page.mouse.wheel(0, 2000)
    expect(off).to_be_in_viewport()  # it stays on the screen however far somebody has gone down
    off.click()
    assert feed.hear(do="outputs", count=5) == 5 * [{"do": "outputs", "confirm": False}]


# -------------------------------------------------------------------------------- several pages, and the line


def test_a_page_without_the_hand_watches_and_can_ask_for_it(feed: Feed, opened: Opened) -> None:
    begin(feed, hand="other", outputs=CAN_SWITCH, cautions=(CAUTION,))
    page = opened()
    drawn(page, 12)
    expect(page.locator("#hand")).to_contain_text("Another page has the hand; this one watches.")
    field = number(page, "limit")
    expect(field).to_have_js_property("readOnly", True)
    field.press("ArrowUp")
    for name in (
        "Run",
        "Hold",
        "One shot",
        "Write in the text",
        "Write them into the recipe",
        "Keep as reference",
        "Confirm",
    ):
        expect(page.get_by_role("button", name=name).first).to_be_disabled()
    letter(page, "a")
    assert feed.hear(do="hand") == [{"do": "hand", "take": True}]
    assert [one["do"] for one in feed.asked if one["do"] not in ("hand", "whole_view", "drawn")] == []
    # looking closer is allowed
    letter(page, "+")
    feed.hear(do="view")
    feed.say(state(hand="yours", watchers=1))
    expect(page.locator("#hand")).to_contain_text("1 other page watches")
    expect(page.get_by_role("button", name="Hold")).to_be_enabled()


def test_a_lost_connection_is_said_and_tried_again(page: Page, feed: Feed) -> None:
    feed.refuses = True
    feed.close(1011)
    expect(page.locator("#line")).to_contain_text("Connection lost at")
    expect(page.locator("#line")).to_contain_text("Trying again")
    expect(page.get_by_role("button", name="Hold")).to_be_disabled()
    expect(number(page, "limit")).to_have_js_property("readOnly", True)
    feed.refuses = False
    expect(page.locator("#line")).to_be_empty()
    expect(page.get_by_role("button", name="Hold")).to_be_enabled()


def test_the_end_of_the_program_is_said_and_nothing_is_tried(page: Page, feed: Feed) -> None:
    feed.close(1001)
    expect(page.locator("#line")).to_contain_text("The program has ended")
    expect(page.get_by_role("button", name="Run")).to_be_disabled()
    expect(page.locator("#chart canvas").first).to_be_visible()
    no_findings(page)


# --------------------------------------------------------------------------------- for everybody, everywhere


@pytest.mark.parametrize("width, scheme", [(1280, "light"), (1280, "dark"), (390, "light"), (390, "dark")])
def test_an_accessibility_check_finds_nothing_and_nothing_is_out_of_sight(
    feed: Feed, opened: Opened, width: int, scheme: str
) -> None:
    begin(feed, outputs=CAN_SWITCH, cautions=(CAUTION,), watchers=1, measurements=("rail_noise", "reset_hold"))
    doubt = {"code": "few_codes", "text": "the record uses 21 of 256 codes", "cure": "take a smaller range"}
    feed.say(readings("fail", "57.8 mV", doubts=(doubt,), reason="57.8 mV exceeds the limit (at most 40 mV)"))
    feed.say(frames(READ, WRITE))
    feed.say(recipe(faults=(FAULT,), undo=True))
    feed.say(said("refused", "`4 msec` has no known unit"))
    page = opened(width=width, scheme=scheme)
    drawn(page, 12)
    no_findings(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    over = page.evaluate(OUT_OF_SIGHT, width)
    assert over == []
    if width == 390:
        # each number of a card has its heading beside it, and the headings above the table are gone
        assert page.evaluate(LABELS) == ["none", "none", *LABELLED]
        expect(page.locator("#readings thead")).to_be_hidden()
        tops = page.evaluate(TOPS)
        assert tops == sorted(tops)


def test_the_list_of_keys_is_one_key_away_and_letters_can_be_switched_off(page: Page, feed: Feed) -> None:
    letter(page, "?")
    expect(page.get_by_role("dialog")).to_contain_text("Outputs off")
    no_findings(page)
    # WCAG 2.2, 2.1.4: keys of a single character can be switched off
    page.get_by_label("Single letters work as keys").uncheck()
    page.keyboard.press("Escape")
    letter(page, "h")
    letter(page, "?")
    expect(page.get_by_role("dialog")).to_be_visible()
    assert [one for one in feed.asked if one["do"] == "hold"] == []


def test_every_control_can_be_reached_with_the_keyboard_and_shows_its_focus(page: Page) -> None:
    reached = set()
    page.evaluate("document.activeElement.blur()")
    for _ in range(60):
        page.keyboard.press("Tab")
        about = page.evaluate(FOCUSED)
        if about[0].startswith("BODY"):
            break
        reached.add(about[0])
        assert about[1] != "none", about
        assert about[2] >= 2, about
    wanted = page.evaluate(CONTROLS)
    assert set(wanted) - reached == set()


def test_paper_has_the_document_and_none_of_its_buttons(page: Page) -> None:
    page.emulate_media(media="print")
    for name in ("Hold", "Write in the text", "Keys"):
        expect(page.get_by_role("button", name=name)).to_be_hidden()
    expect(page.locator("#verdict")).to_be_visible()
    expect(page.locator("li[data-line='10']")).to_be_visible()


def test_what_is_under_a_pointer_that_stays_is_of_the_newest_shot(page: Page, feed: Feed) -> None:
    box = box_of(page)
    feed.say(*shot({"rail": np.full(100, 0.011)}, number=13))
    drawn(page, 13)
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 0.5 * box["height"])
    expect(page.locator(".chart-readout")).to_contain_text("11\u202fmV")
    feed.say(*shot({"rail": np.full(100, 0.012)}, number=14))
    expect(page.locator(".chart-readout")).to_contain_text("12\u202fmV")
