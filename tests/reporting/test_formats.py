"""Outcomes in other people's formats: read back with their own readers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from tests.logbook.made_outcomes import outcome
from wavewright.analysis.reading import Doubt, Finding
from wavewright.errors import Misuse, StorageFault
from wavewright.reporting.catalogue import report_formats, write_report
from wavewright.reporting.junit import junit
from wavewright.reporting.markdown import markdown

IN_DOUBT = f"in doubt: {Finding(Doubt.FEW_CODES).sentence}"


def test_every_format_says_what_it_is_for() -> None:
    assert {"junit", "markdown"} <= set(report_formats())
    for known in report_formats().values():
        assert known.about.endswith(".")
        assert known.extensions


def test_junit_counts_a_failed_limit_as_a_failure() -> None:
    suite = Xml.fromstring(junit(outcome(value=0.045))).find("testsuite")
    assert suite is not None
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("1", "1", "0")
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert (
        failure.get("message")
        == f"peak_to_peak is 45.0 mV, record only; limit at most 40 mV; margin -5.0 mV; {IN_DOUBT}"
    )


def test_junit_says_how_long_each_measurement_took_and_its_cases_share_it() -> None:
    plain = outcome()
    (one,) = plain.measurements
    second = replace(one.results[0], name="ripple_again")
    timed = replace(plain, measurements=(replace(one, results=(*one.results, second), seconds=3.0),))
    (suite,) = Xml.fromstring(junit(timed)).findall("testsuite")
    assert suite.get("time") == "3.000"
    assert [case.get("time") for case in suite.findall("testcase")] == ["1.500", "1.500"]
    assert Xml.fromstring(junit(plain)).find("testsuite/testcase[@time]") is None  # of before it was kept


def test_junit_never_shows_a_missing_number_as_passed() -> None:
    root = Xml.fromstring(junit(outcome(value=None)))
    assert (root.get("tests"), root.get("errors")) == ("1", "1")
    error = root.find("testsuite/testcase/error")
    assert error is not None
    assert "0 rising crossings of 1.5 V" in (error.get("message") or "")


def test_junit_carries_a_run_that_broke_off() -> None:
    broken = replace(outcome(), error="TCPIP0::supply.example::inst0::INSTR: no answer")
    root = Xml.fromstring(junit(broken))
    assert root.get("errors") == "1"


def test_untrusted_text_stays_text() -> None:
    nasty = outcome(serial='</testsuite><x a="1">\x00|`*')
    root = Xml.fromstring(junit(nasty))
    serial = root.find("testsuite/properties/property[@name='serial']")
    assert serial is not None
    assert serial.get("value") == '</testsuite><x a="1">�|`*'
    assert "</testsuite>" not in markdown(nasty).replace("\\<", "").replace("\\>", "")


def test_markdown_has_a_line_a_reading() -> None:
    text = markdown(outcome(value=0.045))
    assert text.startswith("# VC-204 rail: FAIL\n")
    assert "| rail\\_noise | ripple | 45.0 mV, record only | at most 40 mV | -5.0 mV | **fail** |" in text


def test_the_ending_chooses_the_format(tmp_path: Path) -> None:
    assert write_report(outcome(), tmp_path / "out.xml").name == "junit"
    assert write_report(outcome(), tmp_path / "out.txt", kind="markdown").name == "markdown"
    with pytest.raises(Misuse, match=r"file extension `\.docx`"):
        write_report(outcome(), tmp_path / "out.docx")
    with pytest.raises(StorageFault, match="cannot be written"):
        write_report(outcome(), tmp_path / "missing" / "out.xml")


def test_a_run_whose_captures_lack_a_channel_is_reported_without_pictures(tmp_path: Path) -> None:
    whole = outcome(seed=1)
    other = [replace(one, waveforms={"drive": one["rail"]}) for one in whole.captures["rail_noise"]]
    lacking = replace(whole, captures={"rail_noise": other})
    for suffix in ("html", "xml", "md"):
        write_report(lacking, tmp_path / f"out.{suffix}")
        assert "ripple" in (tmp_path / f"out.{suffix}").read_text(encoding="utf-8").replace("\\", "")


def test_readings_as_a_pandas_table() -> None:
    table = outcome().to_pandas()
    assert table.loc["rail_noise.ripple", "value"] == 0.024
    assert table.loc["rail_noise.ripple", "unit"] == "V"


def test_captures_as_an_xarray_dataset_in_volts_over_seconds() -> None:
    there = outcome(seed=3)
    data = there.to_xarray("rail_noise")
    first = there.captures["rail_noise"][0]["rail"]
    assert data["rail"].dims == ("shot", "time")
    assert data["rail"].attrs["units"] == "V"
    assert float(data["time"][1] - data["time"][0]) == pytest.approx(first.interval)
    assert data["rail"].values[0].tolist() == first.values().tolist()


def test_a_set_of_shots_says_which_unit_which_metrics_and_how_they_were_judged() -> None:
    told = outcome(serial="VC204-0013", value=0.045, seed=3).to_xarray("rail_noise").attrs
    assert (told["serial"], told["verdict"], told["measurement"]) == ("VC204-0013", "fail", "rail_noise")
    assert (told["characteristic"], told["metric"], told["result"]) == (["ripple"], ["peak_to_peak"], ["fail"])
    assert (told["value"], told["unit"], told["limit"]) == ([0.045], ["V"], ["at most 40 mV"])


def test_no_such_measurement_lists_those_there_are() -> None:
    with pytest.raises(Misuse, match="expected: one of rail_noise"):
        outcome(seed=3).to_xarray("reset_hold")


def test_a_notebook_shows_readings_and_lets_no_markup_in() -> None:
    page = outcome(serial="<script>x</script>", value=0.045)._repr_html_()
    Xml.fromstring(f"<div>{page}</div>")  # well formed
    assert "&lt;script&gt;" in page
    assert "<script>" not in page
    cells = ("rail_noise", "ripple", "45.0 mV, record only", "at most 40 mV", "-5.0 mV")
    assert "".join(f"<td>{cell}</td>" for cell in cells) in page
    assert "0 rising crossings of 1.5 V" in outcome(value=None)._repr_html_()
