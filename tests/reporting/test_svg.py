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
    texts = [text.text or "" for text in root.iter(f"{SPACE}text")]
    assert texts[0] == "VC-204 rail and enable, VC-204 VC204-0017: rail_noise, fail"
    assert {"rail, mV", "enable, V", "rail, amplitude"} <= set(texts), "the trace of each channel, and the spectrum"
    assert any(text.startswith("width ") for text in texts)
    assert any(text.startswith("highest high: 3.4 V") for text in texts)
    assert "50 % level" in texts
    assert "ripple 27.7 mV, limit at most 40 mV: pass" in texts
    assert texts.index("width 19.5 us, limit 19.99 us .. 20.01 us: fail") == 1, "what failed comes first"
    assert "drawn: 1 of 2 measurements, the worst; `--measurement` selects another" in texts


def test_nothing_stands_beyond_the_picture_however_many_results_there_are() -> None:
    one = reported().measurements[0]
    many = replace(one, results=tuple(replace(one.results[0], name=f"r{number}") for number in range(20)))
    root = Xml.fromstring(svg(replace(reported(), measurements=(many,))))
    texts = [text.text or "" for text in root.iter(f"{SPACE}text")]
    assert "and 12 more" in texts
    assert not any(text.startswith("drawn: ") for text in texts)
    height = float((root.get("viewBox") or "").split()[-1])
    assert max(float(text.get("y") or 0) for text in root.iter(f"{SPACE}text")) < height


def test_a_sweep_has_all_of_its_conditions_over_one_another_and_its_readings_as_curves() -> None:
    plain = reported()
    one = plain.measurements[0]
    swept = tuple(replace(one, conditions={"duty": duty}) for duty in ("10 %", "40 %"))
    captures = {each.label: plain.captures["rail_noise"] for each in swept}
    texts = [
        text.text or ""
        for text in Xml.fromstring(svg(replace(plain, measurements=swept, captures=captures))).iter(f"{SPACE}text")
    ]
    assert "rail_noise: all conditions" in texts
    assert {"duty=10 %", "duty=40 %", "rail_noise.ripple over duty"} <= set(texts)


def test_text_of_others_is_escaped() -> None:
    root = Xml.fromstring(svg(replace(reported(), title="<rail> & enable")))
    assert any("<rail> & enable" in (text.text or "") for text in root.iter(f"{SPACE}text"))


def test_a_run_without_captures_has_no_picture() -> None:
    with pytest.raises(Misuse, match="no shot of `VC-204 rail` was kept"):
        svg(outcome())
