"""The picture of a run as SVG."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as Xml

import pytest

from tests.logbook.made_outcomes import outcome
from tests.reporting.reported import reported
from wavewright.errors import Misuse
from wavewright.reporting.svg import svg

SPACE = "{http://www.w3.org/2000/svg}"


def test_the_shot_that_decided_is_drawn_with_what_was_measured() -> None:
    root = Xml.fromstring(svg(reported()))
    lines = root.findall(f"{SPACE}polyline")
    assert len(lines) == 2
    assert all(len((line.get("points") or "").split()) == 1390 for line in lines)
    texts = [text.text or "" for text in root.iter(f"{SPACE}text")]
    assert "VC-204 rail and enable: rail_noise, fail" in texts
    assert any(text.startswith("width ") for text in texts)
    assert any(text.startswith("highest high: 3.4 V") for text in texts)
    assert "50 % level" in texts


def test_text_of_others_is_escaped() -> None:
    root = Xml.fromstring(svg(replace(reported(), title="<rail> & enable")))
    assert any("<rail> & enable" in (text.text or "") for text in root.iter(f"{SPACE}text"))


def test_a_run_without_captures_has_no_picture() -> None:
    with pytest.raises(Misuse, match="no shot of `VC-204 rail` was kept"):
        svg(outcome())
