"""The HTML reference is whole: nothing from outside, no link that leads nowhere, drawings that say what is computed."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from wavewright.cli.main import execute
from wavewright.reference.drawing import EXAMPLES, drawing
from wavewright.reference.pages import Pages, file_name, write_pages
from wavewright.reference.reference import Reference
from wavewright.reference.topic import Group

# elements and attributes by which HTML loads something
LOADING = {"src", "srcset", "action", "data", "poster", "background", "formaction"}
ELSEWHERE = {"iframe", "img", "link", "object", "embed", "base", "video", "audio"}


class Read(HTMLParser):
    """Links, anything that would be loaded, and open elements, by the standard library's parser."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if tag == "a":
            self.links.append(found.get("href") or "")
        if tag in ELSEWHERE or LOADING & set(found):
            self.loads.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def folder(reference: Reference, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("reference") / "html"
    write_pages(reference, folder)
    return folder


def test_there_is_a_page_for_each_topic_and_an_index_that_lists_it(reference: Reference, folder: Path) -> None:
    expected = {file_name(topic) for topic in reference.topics}
    assert len(expected) == len(reference.topics)
    assert {path.name for path in folder.iterdir()} == expected | {"index.html"}
    index = Read((folder / "index.html").read_text(encoding="utf-8"))
    assert {link for link in index.links if not link.startswith("#")} == expected


def test_every_link_leads_to_a_page_that_is_there(folder: Path) -> None:
    there = {path.name for path in folder.iterdir()}
    seen = 0
    for path in folder.iterdir():
        for link in Read(path.read_text(encoding="utf-8")).links:
            target, _, anchor = link.partition("#")
            assert (target or path.name) in there, f"{path.name}: {link}"
            if anchor:
                assert f'id="{anchor}"' in path.read_text(encoding="utf-8")
            seen += 1
    assert seen > 1000


def test_nothing_is_loaded_from_anywhere(folder: Path) -> None:
    for path in folder.iterdir():
        text = path.read_text(encoding="utf-8")
        assert Read(text).loads == [], path.name
        assert "default-src 'none'" in text
        assert not re.search(r"url\(|@import|\bfetch\(", text), path.name


def test_what_docstrings_say_is_not_read_as_html(folder: Path) -> None:
    read = Read((folder / "function-low-pass.html").read_text(encoding="utf-8"))
    assert "low_pass(x, cutoff, order = 2)" in read.text


def test_a_bus_links_the_metrics_of_its_lines(folder: Path) -> None:
    links = Read((folder / "bus-i2c.html").read_text(encoding="utf-8")).links
    assert "frame-metric-rise-time.html" in links
    assert "metric-rise-time.html" not in links


def test_a_key_is_not_taken_for_a_metric_of_its_name(folder: Path) -> None:
    assert "metric-cycles.html" not in Read((folder / "file-recipe-timebase.html").read_text(encoding="utf-8")).links


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_drawing_is_well_formed_and_has_a_value(name: str) -> None:
    root = ElementTree.fromstring(drawing(name))
    (title,) = root.iter("{http://www.w3.org/2000/svg}title")
    assert re.fullmatch(rf"{name} = -?\d.*", title.text or "")
    assert len(list(root.iter("{http://www.w3.org/2000/svg}polyline"))) == len(EXAMPLES[name])


# the values follow from how the examples are made: math
@pytest.mark.parametrize(
    "name, told",
    [
        ("rise_time", "800 ns"),  # 10 % to 90 % of a ramp of 1 us
        ("period", "10 us"),
        ("positive_pulse_width", "4 us"),
        ("overshoot", "25.38 %"),  # exp(-pi*0.4/sqrt(1 - 0.16)), a resonance of damping 0.4
        ("time_constant", "6 us"),
        ("ac_rms", "707.1 mV"),  # 1/sqrt(2)
        ("delay", "1.5 us"),
    ],
)
def test_a_drawing_tells_what_the_example_has(name: str, told: str) -> None:
    assert f"{name} = {told}" in drawing(name)


def test_a_metric_without_a_drawing_has_a_page(reference: Reference) -> None:
    (topic,) = reference.find("metric thd")
    assert drawing("thd") == ""
    assert "<figure" not in Pages(reference).page(topic)


def test_the_command_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert execute(["help", "--html", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "index.html").exists()
    assert "topics" in capsys.readouterr().out
    assert execute(["help", "thd", "--html", str(tmp_path / "out")]) == 64


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").touch()
    assert execute(["help", "--html", str(tmp_path / "file" / "below")]) == 3
    assert "cannot make the folder" in capsys.readouterr().err


def test_the_groups_have_headings(reference: Reference) -> None:
    index = Read(Pages(reference).index()).text
    assert "Metrics of waveforms" in index
    assert all(reference.of_group(group) for group in Group)
