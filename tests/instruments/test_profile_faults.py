"""Every kind of mistake in a profile is told with line and column, what stands there, and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.errors import FileFault, Place
from wavewright.instruments.profile import load_profile, shipped_profiles

PROFILE = """\
wavewright-profile: 1
name: fields
role: digitizer
extends: scpi-basics
inputs: 2
settings:
  input.range: {set: "WIDTH{input} {value}", ask: "WIDTH{input}?", convert: {times: 0.1}}
  input.coupling:
    set: "JOIN{input} {value}"
    ask: "JOIN{input}?"
    words: {dc: straight, ac: blocked}
  timebase.span: {set: "SWATH {value}", ask: "SWATH?"}
  timebase.points: {set: "COUNT {value}", ask: "COUNT?"}
acquire:
  arm: GO
  finished: {poll: {ask: "DONE?", pattern: "^YES"}}
  stop: HALT
waveform:
  fetch: "BRING {input}"
  format: int8
  formats:
    int8: {samples: int8, codes: [-128, 127]}
  scale: {told_in: preamble, ask: "ABOUT {input}?", gain: {field: 1}, offset: {field: 2}}
quirks: {timeout: 1 s}
own_values:
  mean: {ask: "MEAN {input}?"}
"""
ADD = "quirks: {timeout: 1 s}"  # where lines are put in
BLOCK = ('{told_in: preamble, ask: "ABOUT {input}?", gain: {field: 1}, offset: {field: 2}}', "{told_in: block, ")
# what is changed, line and column, what stands there, what is expected
FAULTS: dict[str, tuple[str, str, str, str, str]] = {
    "no role": ("role: digitizer\n", "", "1:1", "`role` is missing", "one of digitizer"),
    "no such role": ("role: digitizer", "role: digitzer", "3:7", "`role` is `digitzer`", "digitizer"),
    "the settings of another role": (
        "role: digitizer", "role: supply", "7:3", "setting `input.range` does not belong to a supply", "voltage",
    ),
    "a setting that is due": (
        "timebase.span:", "trigger.level:", "6:1", "needs the setting `timebase.interval`", "",
    ),
    "no such setting": ("input.coupling", "input.cuopling", "8:3", "unknown setting", "did you mean `input.coupling`"),
    "no such parent": ("scpi-basics", "scpi-basic", "4:10", "no profile `scpi-basic`", "scpi-basics"),
    "itself as parent": ("scpi-basics", "fields.yaml", "4:10", "circular", ""),
    "Python that is not installed": ("inputs: 2", "inputs: 2\npython: none", "6:9", "`python: none` is not", "entry"),
    "no inputs": ("inputs: 2", "inputs: 0", "5:9", "a digitizer needs `inputs`", "how many"),
    "a name that has no meaning": ("JOIN{input} ", "JOIN{inptu} ", "8:3", "`{inptu}` in setting", "input"),
    "a name in the fetch": ("BRING {input}", "BRING {inptu}", "19:10", "`{inptu}` in `waveform.fetch`", "one of input"),
    "a name in a fixed message": ("arm: GO", 'arm: "GO {input}"', "15:8", "`{input}` in `acquire.arm`", "unchanged"),
    "a name in the query about the trigger": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED {x}?", mask: 1}', "18:16", "`{x}` in `acquire.armed.ask`",
        "unchanged",
    ),
    "armed, and no word of when": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?"}', "18:3", "`acquire.armed` does not say when",
        "`pattern:` for an answer in words, or `mask:`",
    ),
    "armed in two ways": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 1, pattern: "^YES$"}', "18:3",
        "`acquire.armed` does not say when", "",
    ),
    "armed without a query": (
        "  stop: HALT", "  stop: HALT\n  armed: {mask: 32}", "18:3", "and has no query", '`ask: ""`',
    ),
    "armed by no bit": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 0}', "18:32", "`acquire.armed.mask` is 0",
        "1 to 65535",
    ),
    "armed by a bit that no register has": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 65536}', "18:32",
        "`acquire.armed.mask` is 65536", "1 to 65535",
    ),
    "armed when bits have what is not among them": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 96, equals: 16}', "18:44",
        "`acquire.armed.equals` is 16", "one or more of the bits 96",
    ),
    "armed when no bit is set": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 96, equals: 0}', "18:44",
        "`acquire.armed.equals` is 0", "one or more of the bits 96",
    ),
    "armed by a word that has bits": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", pattern: "^YES$", equals: 1}', "18:52",
        "`acquire.armed.equals` is 1", "no `equals:` beside a `pattern:`",
    ),
    "armed in no time": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", mask: 1, within: 0 s}', "18:43",
        "`acquire.armed.within` is 0 s", "above 0 s",
    ),
    "armed, and no such key": (
        "  stop: HALT", '  stop: HALT\n  armed: {ask: "ARMED?", maks: 1}', "18:26", "unknown key `maks`",
        "did you mean `mask`",
    ),
    "a name in the poll": ("DONE?", "DONE {x}?", "16:14", "`{x}` in `acquire.finished.poll`", "unchanged"),
    "a name in the known state": (ADD, f'prepare: "X {{y}}"\n{ADD}', "24:10", "`{y}` in `prepare`", "unchanged"),
    "a name in the preamble's query": ("ABOUT {input}", "ABOUT {in}", "23:35", "in `waveform.scale.ask`", "input"),
    "a name in an own value": ("MEAN {input}", "MEAN {in}", "26:3", "`{in}` in the own value `mean`", "input"),
    "an own value of no metric": ("mean: {", "maen: {", "26:3", "unknown metric `maen`", ""),
    "a word that nothing means": ("dc: straight", "dd: straight", "11:17", "`input.coupling` has no word `dd`", "dc"),
    "a division by zero": ("times: 0.1", "times: 0", "7:85", "converted by 0 · value", "not 0"),
    "a setting that is not said": ("COUNT {value}", "COUNT", "13:26", "contains its value", "`{value}`"),
    "two ways to finish": ("{poll:", '{ask: "*OPC?", poll:', "16:3", "needs one way", "ask, poll or"),
    "a poll without an end": (', pattern: "^YES"', "", "16:14", "when the record is complete", "`pattern:`"),
    "a poll with two ends": (', pattern: "^YES"', ', pattern: "^YES", mask: 1', "16:14", "is complete", "`mask:`"),
    "nothing to arm": ("  arm: GO\n", "", "14:1", "needs `waveform.fetch` and `acquire.arm`", "`arm:` below"),
    "nothing to fetch": ('  fetch: "BRING {input}"\n', "", "18:1", "needs `waveform.fetch`", "`fetch:` below"),
    "a form that is not there": ("format: int8", "format: int12", "20:11", "is `int12`", "one of int8"),
    "a type that is none": ("samples: int8", "samples: int9", "22:21", "`samples` is `int9`", "int8"),
    "codes in the wrong order": ("[-128, 127]", "[127, -128]", "22:27", "`codes` of `int8` are 127", "lowest, then"),
    "no codes over the range": ("codes: [", "codes_over_range: 0, codes: [", "22:45", "over_range` is 0", "above 0"),
    "slices that are not asked for": (
        "  format: int8", "  slices: {points: 1k}\n  format: int8", "19:10", "does not say which slice", "`{first}`",
    ),
    "slices of nothing": (
        'fetch: "BRING {input}"', 'slices: {points: 0}\n  fetch: "BRING {first}"', "19:20", "slices of 0", "at least 1",
    ),
    "a preamble that is not asked for": (
        'preamble, ask: "ABOUT {input}?"', "preamble", "23:3", "stated in `preamble`, and `ask` is ``", "`ask:`",
    ),
    "a field without a preamble": (
        'preamble, ask: "ABOUT {input}?"', "queries", "23:29", "`gain` is in a field", "`told_in: preamble`",
    ),
    "two sources of a number": ("{field: 1}", '{field: 1, ask: "G?"}', "23:53", "`gain` has 2 sources", "one of ask"),
    "a place beyond the head": (
        BLOCK[0], BLOCK[1] + "head: 6, gain: {at: 4, as: float32}}", "23:36", "at byte 4, and the block's head has 6",
        "inside the head",
    ),
    "text in the head": (
        BLOCK[0], BLOCK[1] + "head: 6, gain: {at: 0, as: ascii}}", "23:36", "`gain` is ascii", "inside the head",
    ),
    "a place without a block": ("{field: 1}", "{at: 1}", "23:53", "`gain` is in the block", "`told_in: block`"),
    "another terminator": (ADD, 'quirks: {read_termination: ";"}', "24:28", "`read_termination` is `;`", "NL, CR"),
    "no patience": ("timeout: 1 s", "timeout: 0 s", "24:19", "`timeout` is 0 s", "above 0 s, at most 86400 s"),
    "no end of patience": (
        "timeout: 1 s", "record_timeout: 30 d", "24:26", "`30 d`", "such as `500 us`"
    ),
    "too much patience": (
        "timeout: 1 s", "record_timeout: 90 ks", "24:26", "`record_timeout` is 90000 s", "above 0 s, at most 86400 s"
    ),
    "no recovery": ("timeout: 1 s", "recovery_timeout: 0 s", "24:28", "`recovery_timeout` is 0 s", "above 0 s"),
    "a pause in the past": ("timeout: 1 s", "pause: -1 s", "24:17", "`pause` is -1 s", "at least 0 s"),
    "a bare number": ("timeout: 1 s", "timeout: 1", "24:19", "`1` has no unit", "such as"),
    "entries of the error queue without a code": (
        ADD, 'errors: {pattern: "^x"}', "24:19", "has no group `code`", "(?P<code>",
    ),
    "a message of two lines": ("arm: GO", 'arm: "A\\nB"', "15:8", "not allowed in a message", "7-bit"),
    "an unknown key": ("inputs: 2", "inputz: 2", "5:1", "unknown key `inputz`", "did you mean `inputs`"),
    "a key twice": ("inputs: 2", "inputs: 2\ninputs: 2", "6:1", "key `inputs` again", "line 5"),
    "no YAML": ("inputs: 2", "inputs: [2", "", "is not YAML", ""),
    "another grammar": ("wavewright-profile: 1", "wavewright-profile: 2", "1:21", "`wavewright-profile` is `2`", "1"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS, ids=str)
def test_a_mistake_is_told_with_line_and_column_and_what_is_right(tmp_path: Path, case: str) -> None:
    old, new, place, words, expected = FAULTS[case]
    assert PROFILE.count(old) >= 1
    (tmp_path / "fields.yaml").write_text(PROFILE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FileFault) as caught:
        load_profile("fields.yaml", folder=tmp_path)
    found = caught.value.faults or (caught.value,)
    (fault,) = (each for each in found if words in each.what)
    assert expected in str(fault)
    assert str(fault).startswith(f"{tmp_path / 'fields.yaml'}:{place}")
    assert all(":" in str(each.where) and str(each.where)[-1].isdigit() for each in found)


def test_the_profile_is_right_before_it_is_spoilt(tmp_path: Path) -> None:
    (tmp_path / "fields.yaml").write_text(PROFILE, encoding="utf-8")
    assert load_profile("fields.yaml", folder=tmp_path).role == "digitizer"


def test_a_mistake_in_what_is_inherited_is_told_where_it_stands(tmp_path: Path) -> None:
    (tmp_path / "parent.yaml").write_text(PROFILE.replace("JOIN{input} ", "JOIN{inptu} "), encoding="utf-8")
    (tmp_path / "child.yaml").write_text(
        "wavewright-profile: 1\nname: child\nextends: parent.yaml\nwaveform: {format: int16}\n", encoding="utf-8"
    )
    with pytest.raises(FileFault) as caught:
        load_profile("child.yaml", folder=tmp_path)
    assert {fault.where for fault in caught.value.faults} == {
        Place(str(tmp_path / "child.yaml"), 4, 20),
        Place(str(tmp_path / "parent.yaml"), 8, 3),
    }


@pytest.mark.parametrize("name", [name for name in shipped_profiles() if name != "scpi-basics"])
def test_a_shipped_profile_has_no_fault(name: str) -> None:
    assert load_profile(name)
