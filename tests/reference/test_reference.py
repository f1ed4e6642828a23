"""Everything that the catalogues, schemas and the package know has its topic, and is found by its name."""

from __future__ import annotations

import pytest

import wavewright as ww
from wavewright.analysis.expressions.functions import expression_functions
from wavewright.buses.catalogue import buses, layers
from wavewright.buses.frame_metrics import frame_metrics
from wavewright.errors import Misuse
from wavewright.file_kinds import FILE_KINDS
from wavewright.reference.reference import Reference
from wavewright.reference.topic import Group


def names(reference: Reference, group: Group) -> set[str]:
    return {topic.name for topic in reference.of_group(group)}


def test_every_entry_of_every_catalogue_has_a_topic(reference: Reference) -> None:
    assert names(reference, Group.METRIC) == set(ww.metrics())
    assert names(reference, Group.FRAME_METRIC) == set(frame_metrics())
    assert names(reference, Group.BUS) == set(buses())
    assert names(reference, Group.LAYER) == set(layers())
    assert names(reference, Group.FUNCTION) == set(expression_functions())
    assert names(reference, Group.DOUBT) == {doubt.value for doubt in ww.doubts().values()}
    assert names(reference, Group.PYTHON) == set(ww.__all__)


def test_every_key_of_every_schema_stands_on_a_page(reference: Reference) -> None:
    for kind, entry in FILE_KINDS.items():
        schema = entry.schema()
        text = "\n".join(topic.text for topic in reference.of_group(Group.FILE) if topic.name.split()[0] == kind)
        blocks = [schema, *schema.get("$defs", {}).values()]
        keys = {key for block in blocks for key in block.get("properties", {})}
        assert keys
        assert {key for key in keys if f"`{key}`" not in text} == set(), kind


@pytest.mark.parametrize(
    "asked, key",
    [
        ("thd", "metric thd"),
        ("logbook find", "command logbook find"),
        ("wavewright logbook find", "command logbook find"),
        ("timebase", "file recipe timebase"),
        ("ww.measure", "command measure"),
        ("modbus_rtu", "layer modbus_rtu"),
        ("clipped", "doubt clipped"),
        ("`low_pass`", "function low_pass"),
        ("notmeasurable", "error NotMeasurable"),
        ("metric rise_time", "metric rise_time"),
    ],
)
def test_a_topic_is_found_by_its_name(reference: Reference, asked: str, key: str) -> None:
    assert key in [topic.key for topic in reference.find(asked)]


def test_a_name_with_two_meanings_shows_both(reference: Reference) -> None:
    assert [topic.group for topic in reference.find("rise_time")] == [Group.METRIC, Group.FRAME_METRIC]


def test_an_unknown_topic_is_refused_with_the_nearest(reference: Reference) -> None:
    with pytest.raises(Misuse, match="did you mean `rise_time`"):
        reference.find("risetime")
    with pytest.raises(Misuse, match="lists"):
        reference.find("qqqqqqqqqqqq")


def test_a_metric_is_told_for_the_author_of_a_recipe(reference: Reference) -> None:
    (topic,) = reference.find("metric rise_time")
    assert "## No number when" in topic.text
    assert "| `low` | a level, `50 %` or `1.65 V` | 10 % |" in topic.text
    for word in ("Raises", "NotMeasurable", "Returns", "Parameters", "channel(s)", "None", "False"):
        assert word not in topic.text
    assert "```text\n  high state ──" in topic.text.replace("```text\nhigh", "```text\n  high")


def test_no_metric_shows_python(reference: Reference) -> None:
    for topic in [*reference.of_group(Group.METRIC), *reference.of_group(Group.FRAME_METRIC)]:
        assert not {"## Raises", "## Returns", "## Parameters"} & set(topic.text.splitlines()), topic.name
