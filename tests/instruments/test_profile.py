"""Profiles: what is sent for what, inheritance, and every fault of a file with its line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from wavewright.errors import FileFault, Misuse
from wavewright.instruments import dialect
from wavewright.instruments.dialect import Dialect
from wavewright.instruments.new_profile import new_profile_text
from wavewright.instruments.profile import Assignment, Profile, load_profile, shipped_profiles
from wavewright.instruments.setting import Value
from wavewright.instruments.vocabulary import VOCABULARY, Role

# An instrument of our own invention: it thinks in volts per grid line (10 of them), in a dialect that no maker has.
GRID = """
wavewright-profile: 1
name: grid-lines
role: digitizer
extends: scpi-basics
inputs: 2
settings:
  input.range:
    set: ["PICK {input}", "STEP {value}"]
    ask: ["PICK {input}", "STEP?"]
    convert: {times: 0.1}
    pattern: 'is (?P<value>\\S+) V'
  input.coupling: {set: "JOIN{input} {value}", ask: "JOIN{input}?", words: {dc: straight, ac: blocked}}
  timebase.span: {set: "SWATH {value}", ask: "SWATH?", convert: {times: 0.1}}
  timebase.points: {set: "COUNT {value}", ask: "COUNT?"}
acquire: {arm: GO, finished: {poll: {ask: "DONE?", pattern: "^YES"}}, stop: HALT}
waveform: {fetch: "BRING {input}", format: int8, formats: {int8: {samples: int8}}}
"""

Write = Callable[..., Profile]


@pytest.fixture
def profile(tmp_path: Path) -> Write:
    """Writes a profile into a file and loads it."""

    def write(text: str, name: str = "grid.yaml") -> Profile:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return load_profile(name, folder=tmp_path)

    return write


# SCPI-99 volume 2, chapters 11, 15, 18, 19, 24 (headers from memory, not verified)
MESSAGES: list[tuple[str, str, Value, int | None, tuple[str, ...]]] = [
    ("scpi-digitizer", "input.range", 8.0, 2, ("SENSe2:VOLTage:RANGe:PTPeak 8.0E+00",)),
    ("scpi-digitizer", "input.coupling", "ac", 1, ("INPut1:COUPling AC",)),
    ("scpi-digitizer", "trigger.source", "input", 3, ("TRIGger:SOURce INTernal3",)),
    ("scpi-digitizer", "trigger.source", "immediate", None, ("TRIGger:SOURce IMMediate",)),
    ("scpi-digitizer", "trigger.auto", False, None, ("TRIGger:ATRigger:STATe 0",)),
    (
        "scpi-digitizer",
        "inputs.used",
        (1, 3),
        None,
        ("SENSe:FUNCtion:CONCurrent ON", 'SENSe:FUNCtion "XTIMe:VOLTage 1","XTIMe:VOLTage 3"'),
    ),
    ("scpi-supply", "voltage", 24.0, None, ("SOURce:VOLTage:LEVel:IMMediate:AMPLitude 2.4E+01",)),
    ("scpi-supply", "output", True, None, ("OUTPut:STATe 1",)),
    ("scpi-source", "duty_factor", 0.4, None, ("SOURce:PULSe:DCYCle 4.0E+01",)),
    ("scpi-source", "function", "noise", None, ("SOURce:FUNCtion:SHAPe PRNoise",)),
    ("scpi-display", "text", 'Say "on"', None, ('DISPlay:TEXT "Say ""on"""',)),
]


@pytest.mark.parametrize("name, setting, value, input, messages", MESSAGES, ids=str)
def test_what_is_sent(name: str, setting: str, value: Value, input: int | None, messages: tuple[str, ...]) -> None:
    assert load_profile(name).messages(setting, value, input=input) == messages


def test_a_message_may_mention_another_setting() -> None:
    meter = load_profile("scpi-meter")
    group = [Assignment("quantity", "resistance"), Assignment("range", 1e3)]
    assert meter.messages_for(group) == ("CONFigure:SCALar:RESistance", "SENSe:RESistance:RANGe:UPPer 1.0E+03")


@pytest.mark.parametrize("name", [name for name in shipped_profiles() if name != "scpi-basics"])
def test_a_shipped_profile_is_complete_and_can_be_read_back(name: str) -> None:
    shipped = load_profile(name)
    silent = {setting for setting in shipped.grammar.settings if not shipped.can_ask(setting)}
    assert silent <= {"inputs.used", "protection.clear", "text", "arbitrary", "trigger"}


def test_grid_lines_are_a_linear_conversion(profile: Write) -> None:
    grid = profile(GRID)
    assert grid.messages("input.range", 8.0, input=2) == ("PICK 2", "STEP 8.0E-01")
    assert grid.queries("input.range", input=2) == ("PICK 2", "STEP?")
    assert grid.read("input.range", "the step is 0.8 V now", input=2) == 8.0


def test_words_are_read_in_every_form(profile: Write) -> None:
    digitizer = load_profile("scpi-digitizer")
    assert {digitizer.read("trigger.slope", answer) for answer in ("POS", "POSITIVE", "pos", " POSitive ")} == {
        "rising"
    }
    assert digitizer.read("trigger.source", "INT2", input=2) == "input"
    assert digitizer.read("trigger.source", "IMM", input=2) == "immediate"


def test_a_child_takes_over_what_it_does_not_say(profile: Write) -> None:
    child = profile(
        "wavewright-profile: 1\nname: child\nextends: scpi-digitizer\n"
        'settings:\n  input.offset: {set: "SHIFt{input} {value}"}\nabilities: {rate: 1 GHz}\n'
    )
    assert child.messages("input.offset", 1.0, input=1) == ("SHIFt1 1.0E+00",)
    assert not child.can_ask("input.offset")  # a setting is taken as a whole
    assert child.messages("input.range", 1.0, input=1) == ("SENSe1:VOLTage:RANGe:PTPeak 1.0E+00",)
    assert (child.grammar.abilities.rate, child.grammar.abilities.points) == (1e9, 10e6)


def test_a_grandchild_takes_over_from_both(profile: Write) -> None:
    profile('wavewright-profile: 1\nname: a\nextends: scpi-supply\nsettings: {voltage: {set: "V {value}"}}\n', "a.yaml")
    grandchild = profile("wavewright-profile: 1\nname: b\nextends: a.yaml\nquirks: {pause: 10 ms}\n", "b.yaml")
    assert grandchild.messages("voltage", 5.0) == ("V 5.0E+00",)
    assert grandchild.messages("output", False) == ("OUTPut:STATe 0",)
    assert grandchild.manners.pause == 0.01


def test_its_digest_covers_what_it_inherits(profile: Write) -> None:
    profile("wavewright-profile: 1\nname: a\nextends: scpi-supply\n", "a.yaml")
    first = profile("wavewright-profile: 1\nname: b\nextends: a.yaml\n", "b.yaml").digest
    profile("wavewright-profile: 1\nname: a\nextends: scpi-supply\nabout: x\n", "a.yaml")
    assert profile("wavewright-profile: 1\nname: b\nextends: a.yaml\n", "b.yaml").digest != first


def test_accuracies_have_parts(profile: Write) -> None:
    accuracy = load_profile("scpi-digitizer").grammar.accuracy
    assert (accuracy.gain, accuracy.offset, accuracy.timebase, accuracy.skew) == (0.015, (0.005, 0.001), 1e-5, 2e-10)


# what is changed in GRID, the message with its place, what else it must say
FAULTS = {
    "unknown key": (("inputs: 2", "inputz: 2"), r"grid.yaml:6:1: unknown key `inputz`", "did you mean `inputs`"),
    "unknown setting": (
        ("input.coupling:", "input.cuopling:"),
        r"grid.yaml:13:3: unknown setting `input.cuopling`",
        "did you mean `input.coupling`",
    ),
    "a brace that does not close": (
        ("SWATH {value}", "SWATH {value"),
        r"grid.yaml:14:24: a brace in `SWATH \{value`",
        "such as `{value}`",
    ),
    "a name that has no meaning": (
        ('set: ["PICK {input}"', 'set: ["PICK {inptu}"'),
        r"`\{inptu\}` in setting `input.range` has no meaning",
        "input",
    ),
    "a bare number": (("{poll: {", "{poll: {interval: 5, "), r"grid.yaml:16:48: `5` has no unit", "such as `500 us`"),
    "a pattern that is none": (
        ('"^YES"', '"^(YES"'),
        r"grid.yaml:16:61: `\^\(YES` is not a regular expression",
        "look-around and",
    ),
    "no role": (("role: digitizer\n", ""), r"`role` is missing", "one of digitizer"),
    "another role": (
        ("role: digitizer", "role: supply"),
        r"setting `input.range` does not belong to a supply",
        "one of voltage_protection",
    ),
    "a form that is not there": (("format: int8,", "format: int12,"), r"`waveform.format` is `int12`", "one of int8"),
    "two ways to finish": (("finished: {", 'finished: {ask: "*OPC?", '), r"needs one way", "ask, poll or"),
    "nothing to arm": (("arm: GO, ", ""), r"needs `waveform.fetch` and `acquire.arm`", ""),
    "no such parent": (("extends: scpi-basics", "extends: scpi-basic"), r"no profile `scpi-basic`", "scpi-basics"),
    "itself as parent": (("extends: scpi-basics", "extends: grid.yaml"), r"circular: grid.yaml -> grid.yaml", ""),
}


@pytest.mark.parametrize("case", FAULTS, ids=str)
def test_a_fault_is_told_with_its_place_and_what_would_be_right(profile: Write, case: str) -> None:
    (old, new), words, expected = FAULTS[case]
    assert old in GRID
    with pytest.raises(FileFault, match=words) as caught:
        profile(GRID.replace(old, new))
    assert expected in str(caught.value)


def test_all_faults_of_a_file_come_at_once(profile: Write) -> None:
    text = GRID.replace("inputs: 2", "inputz: 2").replace("SWATH {value}", "SWATH {value")
    with pytest.raises(FileFault) as caught:
        profile(text)
    assert [fault.where.line for fault in caught.value.faults] == [6, 14]  # type: ignore[union-attr]


def test_an_output_that_cannot_be_asked_for_is_refused(profile: Write) -> None:
    with pytest.raises(FileFault, match="can never be confirmed off"):
        profile('wavewright-profile: 1\nname: x\nextends: scpi-supply\nsettings: {output: {set: "OUTP {value}"}}\n')


def test_a_word_that_the_instrument_does_not_have_is_refused_with_those_it_has(profile: Write) -> None:
    with pytest.raises(Misuse, match="`ground` is not available here") as caught:
        profile(GRID).messages("input.coupling", "ground", input=1)
    assert "one of dc, ac" in str(caught.value)


class TwoWords(Dialect):
    """What YAML cannot say: this instrument takes a range as mantissa and exponent, in two words."""

    def messages(self, setting: str, value: Value, values: Mapping[str, object]) -> tuple[str, ...]:
        if setting != "input.range":
            return super().messages(setting, value, values)
        mantissa, exponent = f"{float(value):e}".split("e")  # type: ignore[arg-type]
        return (f"STEP{values['input']} {float(mantissa):g} {int(exponent)}",)


def test_python_says_what_yaml_cannot(profile: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    class Point:
        name = "two-words"

        def load(self) -> Any:
            return TwoWords

    monkeypatch.setattr(dialect, "entry_points", lambda group: [Point()])
    special = profile(GRID + "python: two-words\n")
    assert special.messages("input.range", 0.08, input=2) == ("STEP2 8 -2",)
    assert special.messages("timebase.points", 100) == ("COUNT 1.0E+02",)


def test_python_that_is_not_installed_is_said_so(profile: Write) -> None:
    with pytest.raises(FileFault, match="`python: two-words` is not installed"):
        profile(GRID + "python: two-words\n")


@pytest.mark.parametrize("base", ["scpi-digitizer", "scpi-supply", "scpi-source", "scpi-meter"])
def test_a_new_profile_loads_as_it_is_and_tells_every_setting(profile: Write, base: str) -> None:
    text = new_profile_text("my-own", base=base)
    new, old = profile(text, "my-own.yaml"), load_profile(base)
    assert new.grammar.settings == old.grammar.settings
    assert all(f"{setting}:" in text for setting in old.grammar.settings)


@pytest.mark.parametrize("role", [None, *Role])
def test_a_new_profile_can_begin_from_one_without_a_role(profile: Write, role: Role | None) -> None:
    text = new_profile_text("my-own", base="scpi-basics", role=role)
    chosen = role or Role.DIGITIZER
    assert f"\nrole: {chosen}\nextends: scpi-basics\n" in text
    assert all(f"{setting}:" in text for setting in VOCABULARY[chosen])
    with pytest.raises(FileFault) as caught:  # all that is missing is named, and nothing else is wrong
        profile(text, "my-own.yaml")
    assert "needs" in str(caught.value)
    assert "unknown key" not in str(caught.value)


def test_a_new_profile_keeps_the_role_of_its_base() -> None:
    with pytest.raises(Misuse, match="`scpi-supply` is for a supply"):
        new_profile_text("my-own", base="scpi-supply", role=Role.METER)


def test_a_new_profile_loads_when_a_part_is_taken_in(profile: Write) -> None:
    text = new_profile_text("my-own", base="scpi-digitizer")
    begin = text.index("# settings:")
    end = text.index("\n\n", begin)
    taken_in = "\n".join(line.removeprefix("# ") for line in text[begin:end].splitlines())
    new = profile(text[:begin] + taken_in.replace("PTPeak {value}", "WIDth {value}") + text[end:], "my-own.yaml")
    assert new.messages("input.range", 1.0, input=1) == ("SENSe1:VOLTage:RANGe:WIDth 1.0E+00",)
