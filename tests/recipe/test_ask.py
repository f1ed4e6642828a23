"""`ask:`: what an entry may be, and which answers it takes."""

from __future__ import annotations

import pytest

from wavewright.errors import FileFault, Misuse
from wavewright.recipe.ask import AskEntry
from wavewright.recipe.load import parse_recipe

RECIPE = """\
wavewright: 1
title: declared
ask:
  {}
measurements:
  m:
    channels: {{rail: {{input: 1, range: 8 V, offset: 2 V}}}}
    timebase: {{span: 40 ms, rate: 250 kHz}}
    decode: {{line: {{bus: uart, tx: rail, baud: 19200}}}}
    compute: {{level: {{metric: mean, of: rail}}}}
"""


def entry_of(entry: str) -> AskEntry:
    return parse_recipe(RECIPE.format(f"field: {{about: field, {entry}}}"), "r.yaml").ask["field"]


FAULTS = [
    # entry, line:column, what is said
    ("a: {about: x, within: 3 V .. 4 V}", "4:25", "`within` without `unit`"),
    ("a: {about: x, unit: V, pattern: b}", "4:23", "`unit` beside `pattern`"),
    ("a: {about: x, unit: V, within: 3 A .. 4 A}", "4:34", "is a current"),
    ("a: {about: x, unit: foo bar}", "4:23", "`foo bar` is not a unit"),
    ("a: {about: x, text: b}", "4:6", "`text` or `hex` without `read`"),
    ("a: {about: x, read: m.line, text: b, hex: c}", "4:23", "`text` and `hex`"),
    ("a: {about: x, read: m.level, unit: V, once: batch}", "4:23", "`once` beside `read`"),
    ("a: {about: x, read: m.level}", "4:23", "`a` is a text, and `m.level` is a number"),
    ("a: {about: x, read: m.level, unit: A}", "4:38", "`m.level` is in V, and `a` in A"),
    ("a: {about: x, read: m.line, unit: V}", "4:23", "there is no reading `m.line`"),
    ("a: {about: x, read: m.lines, text: b}", "4:23", "there is no decoded line `m.lines`"),
    ("a: {about: x, pattern: '(a'}", "4:26", "is not a regular expression"),
    ("a: {pattern: a}", "4:3", "`about` is missing"),
    ("a: {about: x}\n  A: {about: y}", "5:3", "`A` and `a` differ in capital letters only"),
]


@pytest.mark.parametrize("entry, place, said", FAULTS, ids=[row[2] for row in FAULTS])
def test_an_entry_that_cannot_be_asked_is_a_fault_at_its_place(entry: str, place: str, said: str) -> None:
    with pytest.raises(FileFault) as caught:
        parse_recipe(RECIPE.format(entry), "r.yaml")
    assert f"r.yaml:{place}: " in str(caught.value)
    assert said in str(caught.value)


def test_a_number_may_come_without_its_unit_and_with_a_sign_for_degrees() -> None:
    temperature = entry_of("unit: °C, within: 15 degC .. 35 °C")
    for typed in ("23.4", " 23.4 °C ", "23.4 degC"):
        answer = temperature.answer(typed)
        assert (answer.value, answer.unit) == (23.4, "degC")
    humidity = entry_of('unit: "%", within: at most 75 %').answer("45")
    assert (humidity.text, humidity.value, humidity.unit) == ("45 %", 0.45, "1")


REFUSED = [
    ("pattern: 'WO-[0-9]{6}'", "WO-00012", "does not match"),
    ("pattern: 'WO-[0-9]{6}'", "WO-000123 or so", "does not match"),
    ("unit: °C, within: 15 °C .. 35 °C", "50", "is not within 15 °C .. 35 °C"),
    ("unit: °C", "warm", "expected"),
    ("unit: °C", "nan", "expected"),
    ("unit: °C", "23 V", "expected"),
    ("once: unit", "", "no answer"),
    ("once: unit", "a\x1b[2Jb", r"a\x1b[2Jb"),
    ("once: unit", "two\nlines", r"two\nlines"),
    ("once: unit", "right\u202eleft", r"\u202e"),
    ("once: unit", "half \ud800 a pair", r"\ud800"),
    ("once: unit", "é" * 200, "400 bytes"),
]


@pytest.mark.parametrize("entry, typed, said", REFUSED, ids=range(len(REFUSED)))
def test_an_answer_that_does_not_fit_is_refused_without_being_shown_raw(entry: str, typed: str, said: str) -> None:
    with pytest.raises(Misuse) as caught:
        entry_of(entry).answer(typed)
    assert said in str(caught.value)
    assert str(caught.value).replace("\n", "").isprintable()
