"""The report of a run, in text and in a real browser."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

import wavewright as ww
from tests.logbook.made_outcomes import outcome
from tests.reporting.conftest import Visit
from tests.reporting.reported import SPIKE, reported
from wavewright.reporting.html import html
from wavewright.running.outcome import Outcome

if TYPE_CHECKING:
    from playwright.sync_api import Page


ROOT = Path(__file__).parents[2]
RANGE = "document.querySelector('#m1-trace .plot')._fullLayout.xaxis.range"


def until(page: Page, condition: str) -> None:
    """Wait until a condition holds, looking at every frame; the page forbids the browser tool's own way, eval."""
    page.evaluate(
        f"""() => new Promise((done, fail) => {{
          const end = performance.now() + 30000;
          const look = () => ({condition}) ? done()
            : performance.now() > end ? fail(new Error("never came: " + {condition!r})) : requestAnimationFrame(look);
          look(); }})"""
    )


def drag(page: Page, first: float, last: float) -> None:
    """Mark a stretch of time with the mouse, once roughly and once closer, as a person does."""
    page.locator("#m1-trace").scroll_into_view_if_needed()
    for share in (5.0, 0.5, 0.06):
        middle, half = (first + last) / 2, share * (last - first) / 2
        box = page.eval_on_selector(
            "#m1-trace .plot .nsewdrag",
            "one => { const b = one.getBoundingClientRect(); return [b.x, b.y, b.width, b.height]; }",
        )
        low, high = page.evaluate(RANGE)
        ends = [box[0] + box[2] * (time - low) / (high - low) for time in (middle - half, middle + half)]
        page.mouse.move(ends[0], box[1] + box[3] / 2)
        page.mouse.down()
        page.mouse.move(ends[1], box[1] + box[3] / 2, steps=5)
        page.mouse.up()
        until(page, f"{RANGE}[1] - {RANGE}[0] < {0.5 * (high - low)}")


@pytest.fixture(scope="module")
def told() -> Outcome:
    return reported()


@pytest.fixture(scope="module")
def page(told: Outcome) -> str:
    return html(told)


def test_the_verdict_stands_before_everything_else(page: str) -> None:
    body = page[page.index("<body>") :]
    assert body.index('class="verdict error"') < body.index("<h1>") < body.index('class="readings"')


def test_every_reading_has_its_row_with_limit_and_margin(page: str, told: Outcome) -> None:
    rows = re.findall(r'<tr class="(pass|fail|inconclusive|error)">', page)
    assert len(rows) == len(told.results) + 1
    assert "at most 40 mV" in page
    assert "340 kHz ± 5 %" in page
    assert page.count('class="bar"') == 4


def test_settings_that_differ_are_said(page: str) -> None:
    assert re.search(
        r'<tr class="differs"><th scope="row">input1\.range</th><td>80 mV</td><td>100 mV <strong>differs', page
    )
    assert '<tr><th scope="row">input1.coupling</th><td>ac</td><td>ac</td></tr>' in page


def test_untrusted_text_is_text() -> None:
    nasty = html(outcome(serial="<script>alert(1)</script>\"'&"))
    assert "<script>alert(1)" not in nasty
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&#34;&#39;&amp;" in nasty


def test_a_run_without_captures_has_a_report_without_the_plotting_script() -> None:
    assert len(html(outcome())) < 60_000


def test_the_page_names_no_address_outside_the_plotting_script(page: str) -> None:
    without = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)""", without)
    assert "http" not in without.replace("http-equiv", "")


@pytest.fixture(scope="module")
def seen(visit: Callable[..., Visit], page: str) -> Visit:
    """The report, opened once: drawing it takes a browser without a graphics card some seconds."""
    return visit(page)


@pytest.mark.browser
def test_no_button_sends_a_picture_anywhere(seen: Visit) -> None:
    titles = seen.page.eval_on_selector_all(".modebar-btn", "them => them.map(one => one.dataset.title || '')")
    assert titles
    assert not [title for title in titles if re.search("share|cloud|upload|send", title, re.IGNORECASE)]


@pytest.mark.browser
def test_a_browser_finds_no_fault_and_asks_for_nothing(seen: Visit) -> None:
    assert seen.said == []
    assert [url for url in seen.asked if not url.startswith(("file:", "data:", "blob:"))] == []
    assert len(seen.asked) == 1


@pytest.mark.browser
def test_a_narrow_window_cuts_no_reading_off(visit: Callable[..., Visit], page: str) -> None:
    narrow = visit(page)
    narrow.page.set_viewport_size({"width": 390, "height": 800})
    # every cell of the table of readings lies within the window, and has its heading beside it
    ends = narrow.page.eval_on_selector_all(
        ".readings td, .readings td > *", "them => them.map(one => one.getBoundingClientRect().right)"
    )
    assert max(ends) <= 390
    until(narrow.page, "document.documentElement.scrollWidth <= 390")  # the plots follow a little later
    labels = narrow.page.eval_on_selector_all(
        ".readings tr:first-child td", "them => them.map(one => getComputedStyle(one, '::before').content)"
    )
    assert labels[:2] == ['"Characteristic"', '"Measured value"']


@pytest.mark.browser
def test_a_wide_window_breaks_no_limit_between_number_and_unit(seen: Visit) -> None:
    heights = seen.page.eval_on_selector_all(
        ".readings td.limit", "them => them.map(one => one.querySelector('small') ? 0 : one.getClientRects()[0].height)"
    )
    assert max(heights) < 60  # pixels: one line, and that of the bar beside it


@pytest.mark.browser
def test_numbers_on_an_axis_have_a_space_before_their_unit(seen: Visit) -> None:
    # SI brochure, 9th edition, 5.4.3
    texts = seen.page.eval_on_selector_all("#m1-trace .x2tick text", "them => them.map(one => one.textContent)")
    assert len(texts) > 3
    assert all(re.fullmatch(r"[−\d.]+\u202f[nµμm]?s", text) for text in texts), texts


@pytest.mark.browser
def test_the_plots_are_really_drawn(seen: Visit) -> None:
    # two channels and a spectrum, each a path of many points
    paths = seen.page.eval_on_selector_all("path.js-line", "all => all.map(one => one.getAttribute('d').length)")
    assert len(paths) == 3
    assert min(paths) > 2000
    assert seen.page.text_content("#m1-trace .ytitle") == "rail"


@pytest.mark.browser
def test_channels_zoom_together_and_every_sample_comes_up(seen: Visit, told: Outcome) -> None:
    wave = told.captures["rail_noise"][1]["enable"]
    middle = wave.time_of(SPIKE)
    first, last = middle - 2e-5, middle + 2e-5
    drag(seen.page, first, last)
    until(seen.page, "document.querySelector('#m1-trace .plot').data[1].y.length < 120")
    ranges = seen.page.evaluate(
        """() => { const layout = document.querySelector('#m1-trace .plot')._fullLayout;
           return [layout.xaxis.range, layout.xaxis2.range]; }"""
    )
    assert ranges[0] == ranges[1]
    assert ranges[0][0] < middle < ranges[0][1]
    assert ranges[0][1] - ranges[0][0] < 120 * wave.interval
    trace = seen.page.evaluate(
        "() => { const t = document.querySelector('#m1-trace .plot').data[1]; return [Array.from(t.y), t.x0, t.dx]; }"
    )
    index = round((trace[1] - wave.start) / wave.interval)
    shown = np.array(trace[0])
    assert shown == pytest.approx(wave.values(index, index + shown.size))
    assert trace[2] == pytest.approx(wave.interval)
    assert shown.max() == pytest.approx(wave.values(SPIKE, SPIKE + 1)[0])


@pytest.mark.browser
def test_the_spike_is_seen_from_afar_in_the_shot_that_failed(seen: Visit) -> None:
    assert "Shot 2 of 2" in seen.page.inner_text("#m1-trace figcaption")
    highest = seen.page.evaluate("Math.max(...Array.from(document.querySelector('#m1-trace .plot')._fullData[1].y))")
    assert highest == pytest.approx(5.0, abs=8 / 256)


@pytest.mark.browser
def test_the_keyboard_reaches_the_zoom(seen: Visit) -> None:
    width = f"({RANGE}[1] - {RANGE}[0])"
    before = seen.page.evaluate(width)
    seen.page.focus("#m1-trace [data-move=in]")
    seen.page.keyboard.press("Enter")
    until(seen.page, f"{width} < {0.6 * before}")
    seen.page.focus("#m1-trace [data-move=all]")
    seen.page.keyboard.press("Enter")
    until(seen.page, f"{width} > {0.9 * before}")
    assert seen.said == []


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(seen: Visit, scheme: str) -> None:
    # WCAG 2.2, 1.4.3: a contrast of 4.5 for text (from memory, not verified)
    seen.page.emulate_media(color_scheme=scheme)
    pairs = seen.page.evaluate(
        """all => all.map(what => [what, getComputedStyle(document.querySelector(what)).color,
           getComputedStyle(document.body).backgroundColor])""",
        [".verdict.pass", ".verdict.fail", ".verdict.error", ".told", "tbody th a", ".remark", "body", "small"],
    )
    for what, ink, ground in pairs:
        assert contrast(ink, ground) >= 4.5, (scheme, what)


@pytest.mark.browser
def test_the_whole_report_prints_on_paper(seen: Visit) -> None:
    seen.page.emulate_media(media="print", color_scheme="dark")
    assert seen.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not seen.page.is_visible("#m1-trace .hands")
    assert seen.page.pdf()[:5] == b"%PDF-"
    seen.page.emulate_media(media="screen", color_scheme="light")


@pytest.mark.browser
def test_every_picture_is_told_in_words(seen: Visit) -> None:
    told = seen.page.eval_on_selector_all("[role=img]", "all => all.map(one => one.getAttribute('aria-label'))")
    assert len(told) == 2 + 4
    assert all(len(text) > 20 for text in told)
    assert any("50000 samples from" in text for text in told)


@pytest.mark.slow
def test_ten_million_samples_make_a_small_page() -> None:
    page = html(reported(samples=10_000_000))
    assert len(page.encode()) < 8_000_000


def contrast(one: str, other: str) -> float:
    """Ratio of the relative luminances of two colours given as `rgb(r, g, b)`."""

    def luminance(colour: str) -> float:
        parts = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_report_names_the_rare_shots_of_the_table_and_shows_one_of_them() -> None:
    bench = ROOT / "sim" / "bench_faulty.yaml"
    outcome = ww.run(ROOT / "recipes" / "enable_glitch.yaml", bench=bench, seed=204)
    result = outcome.results["density.rare_shots"]
    counted = {int(number) for number in re.findall(r"shot (\d+) of 250", result.reason)}
    assert len(counted) == result.reading.value
    page = html(outcome)
    (told,) = set(re.findall(r"Shots on rare paths: ([\d, ]+)\.", page))
    assert {int(number) for number in told.split(",")} == counted
    (shown,) = set(re.findall(r"Shot (\d+) of 250 \(one of the worst\)", page))
    assert int(shown) in counted
