"""The report of a run, in text and in a real browser."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import wavewright as ww
from tests.logbook.made_outcomes import outcome
from tests.reporting.conftest import Visit
from tests.reporting.reported import SPIKE, reported
from wavewright.errors import StorageFault
from wavewright.reporting.chart_script import chart_script, chart_style
from wavewright.reporting.html import CODES_BUDGET, html
from wavewright.reporting.palette import COLOUR_SAFE
from wavewright.running.outcome import Outcome
from wavewright.waveform import Capture, Waveform

if TYPE_CHECKING:
    from playwright.sync_api import Page


ROOT = Path(__file__).parents[2]
VIEW = "document.querySelector('#m1-trace').chart.view"


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
        box = page.locator("#m1-trace .u-over").first.bounding_box()
        low, high = page.evaluate(VIEW)
        ends = [box["x"] + box["width"] * (time - low) / (high - low) for time in (middle - half, middle + half)]
        page.mouse.move(ends[0], box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(ends[1], box["y"] + box["height"] / 2, steps=5)
        page.mouse.up()
        until(page, f"{VIEW}[1] - {VIEW}[0] < {0.5 * (high - low)}")


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


def test_a_run_without_captures_has_a_report_without_the_script_that_draws() -> None:
    assert len(html(outcome())) < 60_000


class Unreadable(Sequence[Capture]):
    """Shots whose file is on another computer, or damaged."""

    def __len__(self) -> int:
        return 2

    def __getitem__(self, index: object) -> Any:
        raise StorageFault("the captures cannot be read", where="store")


def test_captures_that_cannot_be_read_leave_the_readings_and_are_said(told: Outcome) -> None:
    page = html(replace(told, captures=dict.fromkeys(told.captures, Unreadable())))
    assert "No pictures: store: the captures cannot be read" in page
    assert "rail_noise" in page


def test_the_page_names_no_address_outside_the_script_that_draws(page: str) -> None:
    without = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)""", without)
    assert "http" not in without.replace("http-equiv", "")


@pytest.fixture(scope="module")
def seen(visit: Callable[..., Visit], page: str) -> Visit:
    """The report, opened once: drawing it takes a browser without a graphics card some seconds."""
    return visit(page)


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
def test_numbers_have_a_space_before_their_unit_and_digits_that_tell_them_apart(seen: Visit) -> None:
    # SI brochure, 9th edition, 5.4.3
    texts = seen.page.evaluate(
        """() => { const { tickTexts, shown } = chartNumbers;
           const time = { unit: "s", has_prefix: true }, share = { unit: "", is_share: true };
           return [tickTexts([-1e-4, 0, 1e-4], 1e-4, time), tickTexts([0.0125, 0.0126], 1e-4, time),
             tickTexts([0.5, 0.525], 0.025, share),
             [shown(-0.0278, { unit: "V", has_prefix: true }), shown(2.5e-3, { unit: "V^2", has_prefix: false })]]; }"""
    )
    assert texts == [
        ["−100\u202fus", "0\u202fus", "100\u202fus"], ["12.5\u202fms", "12.6\u202fms"],
        ["50.0\u202f%", "52.5\u202f%"], ["−27.8\u202fmV", "0.0025\u202fV^2"],
    ]  # fmt: skip


INK = """([place, ...colours]) => { const sheet = document.querySelector(place);
  const canvas = sheet.querySelector("canvas"), at = sheet.querySelector(".u-over"), scale = devicePixelRatio;
  const box = [at.offsetLeft, at.offsetTop, at.offsetWidth, at.offsetHeight].map((one) => Math.round(one * scale));
  const { data } = canvas.getContext("2d").getImageData(...box);
  const found = [];
  for (let x = 0; x < box[2]; x++) { let count = 0;
    for (let y = 0; y < box[3]; y++) { const k = 4 * (y * box[2] + x);
      if (data[k + 3] > 100 && Math.min(data[k], data[k + 1], data[k + 2]) < 120) count += 1; }
    found.push(count); }
  return found; }"""


@pytest.mark.browser
def test_the_plots_are_really_drawn(seen: Visit) -> None:
    # two channels and a spectrum, each with ink in nearly every column of pixels
    for place in ("#m1-trace .uplot:nth-child(1)", "#m1-trace .uplot:nth-child(2)", "#m1-spectrum1 .uplot"):
        columns = np.array(seen.page.evaluate(INK, [place]))
        assert np.count_nonzero(columns) > 0.9 * columns.size, place
    assert seen.page.locator("#m1-trace .uplot").count() == 2


@pytest.mark.browser
def test_channels_zoom_together_and_every_sample_comes_up(seen: Visit, told: Outcome) -> None:
    wave = told.captures["rail_noise"][1]["enable"]
    middle = wave.time_of(SPIKE)
    drag(seen.page, middle - 2e-5, middle + 2e-5)
    until(seen.page, "document.querySelector('#m1-trace').chart.picture.panels[1].layers[0].record.array")
    first, last = seen.page.evaluate(VIEW)
    assert first < middle < last
    assert last - first < 120 * wave.interval
    line = seen.page.evaluate(
        """() => { const chart = document.querySelector("#m1-trace").chart;
           const found = chartColumns.ofTrace(chart.picture.panels[1].layers[0], ...chart.view, 1000);
           return [Array.from(found.x), Array.from(found.y)]; }"""
    )
    index = round((line[0][0] - wave.start) / wave.interval)
    shown = np.array(line[1])
    assert shown == pytest.approx(wave.values(index, index + shown.size))
    assert shown.max() == pytest.approx(wave.values(SPIKE, SPIKE + 1)[0])
    seen.page.keyboard.press("Escape")
    seen.page.dblclick("#m1-trace .u-over >> nth=0")
    until(seen.page, f"{VIEW}[1] - {VIEW}[0] > 0.00199")


@pytest.mark.browser
def test_the_spike_is_seen_from_afar_in_the_shot_that_failed(seen: Visit) -> None:
    assert "Shot 2 of 2" in seen.page.inner_text("#m1-trace figcaption")
    highest = seen.page.evaluate(
        "Math.max(...document.querySelector('#m1-trace').chart.picture.panels[1].layers[0].highs)"
    )
    assert highest == pytest.approx(5.0, abs=8 / 256)


@pytest.mark.browser
def test_the_keyboard_reaches_the_zoom(seen: Visit) -> None:
    width = f"({VIEW}[1] - {VIEW}[0])"
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
    assert not seen.page.is_visible("#m1-trace .chart-hands")
    assert seen.page.pdf()[:5] == b"%PDF-"
    seen.page.emulate_media(media="screen", color_scheme="light")


@pytest.mark.browser
@pytest.mark.parametrize("width, scheme", [(1280, "dark"), (390, "light")])
def test_an_accessibility_check_finds_nothing_and_no_cell_is_out_of_sight(
    visit: Callable[..., Visit], page: str, width: int, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    # the checker runs its own script, which the page's policy forbids
    shown = visit(page, scheme=scheme, bypass_csp=True)
    shown.page.set_viewport_size({"width": width, "height": 900})
    shown.page.eval_on_selector_all("details", "them => them.forEach((one) => { one.open = true; })")
    until(shown.page, f"document.documentElement.scrollWidth <= {width}")
    found = Axe().run(shown.page)
    assert found.response["violations"] == [], found.generate_report()
    ends = shown.page.eval_on_selector_all("th, td", "them => them.map((one) => one.getBoundingClientRect().right)")
    assert max(ends) <= width


@pytest.mark.browser
def test_on_a_phone_the_verdict_comes_first_and_each_cell_has_its_heading(
    visit: Callable[..., Visit], page: str
) -> None:
    narrow = visit(page)
    narrow.page.set_viewport_size({"width": 390, "height": 800})
    tops = narrow.page.eval_on_selector_all(
        ".readings tbody tr:first-child td",
        """them => them.filter((one) => one.getClientRects().length)
          .map((one) => [one.getBoundingClientRect().top, one.dataset.label])""",
    )
    assert min(tops)[1] == "Verdict"
    narrow.page.eval_on_selector_all("details", "them => them.forEach((one) => { one.open = true; })")
    bare = narrow.page.eval_on_selector_all(
        "table:has(thead) td", "them => them.filter((one) => !one.dataset.label).map((one) => one.textContent)"
    )
    assert bare == []


@pytest.mark.browser
def test_every_colour_of_a_picture_can_be_read_on_its_ground(seen: Visit) -> None:
    # WCAG 2.2, 1.4.3: a contrast of 4.5 for text (from memory, not verified); pictures keep it for lines too
    looks = seen.page.evaluate(
        """(palette) => [chartColours.LIGHT, chartColours.DARK].map((look) => ({ ...look,
          ...Object.fromEntries(palette.map((colour) => [colour, chartColours.readable(colour, look)])) }))""",
        list(COLOUR_SAFE),
    )
    text = ("limit", "failed", "reference", "reading", "trigger", "centre", "rare", "mask", "ink", "faint")
    for look in looks:
        colours = {name: rgb(colour) for name, colour in look.items() if isinstance(colour, str)}
        for name in (*text, *COLOUR_SAFE):
            assert contrast(colours[name], colours["ground"]) >= 4.5, name
        for name in ("ink", "failed"):  # what a frame says stands on its own ground
            assert contrast(colours[name], colours["strip"]) >= 4.5, name
        assert contrast(rgb(look["counts"][0]), colours["ground"]) >= 3


@pytest.mark.browser
def test_every_picture_is_told_in_words(seen: Visit) -> None:
    told = seen.page.eval_on_selector_all("[role=img]", "all => all.map(one => one.getAttribute('aria-label'))")
    assert len(told) == 2 + 4
    assert all(len(text) > 20 for text in told)
    assert any("50000 samples from" in text for text in told)


@pytest.mark.slow
def test_ten_million_samples_make_a_small_page() -> None:
    page = html(reported(samples=10_000_000))
    assert len(page.encode()) < 1_500_000


def test_codes_that_cannot_be_deflated_stay_within_what_a_report_may_weigh(told: Outcome) -> None:
    rng = np.random.default_rng(204)
    codes = rng.integers(-128, 128, CODES_BUDGET // 2, dtype=np.int8)
    waves = {name: Waveform(codes, gain=1e-3, interval=1e-8, name=name) for name in ("rail", "enable")}
    assert len(html(replace(told, captures={"rail_noise": [Capture(waves)] * 2})).encode()) < 1_500_000


def test_what_draws_weighs_little() -> None:
    assert len((chart_script() + chart_style()).encode()) < 400_000


def test_a_page_lets_nothing_run_or_load_but_what_it_names(page: str) -> None:
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page)
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    # W3C, Subresource Integrity, 3.1 (from memory): the hash is that of the text between the tags, in base64
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    digests = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts]
    assert len(digests) == 3
    assert all(f"'sha256-{digest}'" in policy for digest in digests)
    assert not re.findall(r"\son[a-z]+=", re.sub(r"<(script|pre)\b.*?</\1>", "", page, flags=re.DOTALL))


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
    (shown,) = set(re.findall(r"Shot (\d+) of 250, (?:one of the \d+ that decided: [\d, ]+|the decisive one)<", page))
    assert int(shown) in counted


def rgb(colour: str) -> str:
    return f"rgb{tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))}"
