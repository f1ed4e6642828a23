"""`wavewright metrics`."""

from __future__ import annotations

import re
from collections.abc import Callable

from tests.cli.conftest import Spoken
from wavewright.analysis.catalogue import metrics
from wavewright.reference.docstring import escaped
from wavewright.reference.entries import metric_topic

Command = Callable[..., Spoken]


def test_every_metric_is_listed_with_its_definition(wavewright: Command) -> None:
    told = wavewright("metrics")
    assert told.status == 0
    for metric in metrics().values():
        assert metric.name in told.stdout
    assert metrics()["rise_time"].definition.split(":")[0] in told.stdout


def test_the_list_as_json_has_unit_source_and_parameters(wavewright: Command) -> None:
    listed = {entry["name"]: entry for entry in wavewright("metrics", "--json").json}
    assert listed.keys() == metrics().keys()
    assert listed["rise_time"]["unit"] == "s"
    assert {"low", "high"} <= {parameter["name"] for parameter in listed["rise_time"]["parameters"]}
    assert all(entry["source"] for entry in listed.values())


def test_one_metric_is_shown_with_options_and_source(wavewright: Command) -> None:
    told = wavewright("metrics", "rise_time")
    assert told.stdout.startswith("rise_time (metric)\n")
    assert re.search(r"^ low +a level, 50 % or 1.65 V +10 %$", told.stdout, re.MULTILINE)
    assert "Source: IEEE 181-2011" in told.stdout


def test_every_metric_can_be_shown_in_full() -> None:
    for metric in metrics().values():
        text = metric_topic(metric).text
        assert text.startswith(escaped(metric.definition).split(":")[0])
        assert "\nSource: " in text
        for parameter in metric.parameters:
            assert f"\n| `{parameter.name}` | " in text


def test_a_metric_of_a_decoded_bus_is_shown_too(wavewright: Command) -> None:
    assert wavewright("metrics", "low_period").stdout.startswith("low_period (frame metric)\n\nLOW period of the SCL")
    assert wavewright("metrics", "rise_time").stdout.startswith("rise_time (metric)\n\nRise time: ")


def test_an_unknown_metric_is_answered_with_the_nearest(wavewright: Command) -> None:
    told = wavewright("metrics", "rize_time")
    assert told.status == 64
    assert "did you mean `rise_time`" in told.stderr
