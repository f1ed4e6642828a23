"""What a notebook shows of outcomes and readings, through its own display protocol and formatter."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as Xml

import pytest

from tests.example_outcome import example_outcome
from wavewright.analysis.reading import Doubt, Reading
from wavewright.analysis.uncertainty.budget import Budget
from wavewright.analysis.uncertainty.contribution import Contribution
from wavewright.judgement.verdict import Verdict
from wavewright.reporting.notebook import GROUNDS

SPOKEN = Contribution("gain", 1.1e-3)
RIPPLE = Reading(0.0578125, "V", uncertainty=3e-4, count=16, minimum=0.0577, maximum=0.0579,
                 budget=Budget(0.0578125, "V", (SPOKEN,)))  # fmt: skip


def luminance(colour: str) -> float:
    """Relative luminance (W3C WCAG 2.2, definition of that term)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_every_verdict_is_said_in_a_word_and_on_a_ground_of_its_own_colour() -> None:
    page = example_outcome()._repr_html_()
    Xml.fromstring(f"<div>{page}</div>")
    for verdict in Verdict:
        look = rf'<span style="background: {GROUNDS[verdict]}; color: #ffffff[^"]*">{verdict}</span>'
        assert re.search(look, page), verdict
    assert len(set(GROUNDS.values())) == len(Verdict)


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=GROUNDS)
def test_white_letters_are_read_on_every_ground(ground: str) -> None:
    # contrast ratio of at least 4.5 (W3C WCAG 2.2, 1.4.3)
    assert 1.05 / (luminance(ground) + 0.05) >= 4.5


def test_a_reading_shows_value_uncertainty_interval_and_occurrences() -> None:
    page = RIPPLE._repr_html_()
    Xml.fromstring(f"<div>{page}</div>")
    # U is 1.96 u of a normal distribution: 2.16 mV; the interval is rounded outwards
    assert "<b>57.8 mV</b> ± 2.2 mV" in page
    assert "interval (95%)</th><td>55.6 mV .. 60.0 mV</td>" in page
    assert "occurrences</th><td>16</td>" in page


def test_a_reading_says_its_doubts_in_sentences_and_what_is_not_stated() -> None:
    doubted = replace(RIPPLE, doubts=(Doubt.CLIPPED,), budget=Budget(0.0578125, "V", (SPOKEN,), ("offset <b>",)))
    page = doubted._repr_html_()
    assert f"in doubt</th><td>{doubted.doubted[0].sentence}</td>" in page
    assert "record only" in page
    assert "not stated</th><td>offset &lt;b&gt;</td>" in page


def test_a_reading_without_a_number_says_why() -> None:
    assert "<b>no reading</b>: 0 rising crossings" in Reading(None, "s", reason="0 rising crossings")._repr_html_()


def test_a_notebook_takes_the_pages_as_html() -> None:
    formatters = pytest.importorskip("IPython.core.formatters")
    found, _ = formatters.DisplayFormatter().format(example_outcome())
    assert found["text/html"] == example_outcome()._repr_html_()
    assert found["text/plain"].startswith("<Outcome of VC-204 end-of-line check, VC-204 VC204-0017, 2026-01-15")
