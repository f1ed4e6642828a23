"""Reading any YAML file of ours into its model."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from wavewright.errors import FileFault, Misuse
from wavewright.grammar.model_reading import plain, read_model, refusing
from wavewright.grammar.quantity_fields import Current, VoltageOrAuto
from wavewright.grammar.word_fields import Name


def even(value: object) -> int:
    if int(str(value)) % 2:
        raise Misuse(f"`{value}` is odd", expected="an even number", do="add one")
    return int(str(value))


class Probe(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    attenuation: int = Field(description="division of the probe")
    ground: Literal["clip", "spring"] = "clip"


class Clamp(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    width: int = Field(description="how wide it opens")


class Shelf(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    shelf: Literal["1"] = Field(alias="wavewright-shelf", description="version of the grammar")
    probes: dict[int, Probe] = {}
    spare: tuple[Probe, ...] = ()
    level: VoltageOrAuto = "auto"
    ceilings: dict[Name, Current] = {}
    is_locked: bool = False
    share: float | Literal["all"] = "all"
    holder: Probe | Clamp | None = None
    most: Current | Literal["off"] = "off"
    rest: object = None


def faults(text: str) -> str:
    with pytest.raises(FileFault) as caught:
        read_model("shelf.yaml", Shelf, text=text)
    return str(caught.value)


def test_a_file_becomes_its_model(tmp_path: Path) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_text(
        "wavewright-shelf: 1\nprobes: {1: {attenuation: 10, ground: spring}}\nis_locked: true\nshare: 0.5\n"
        "rest: {seed: 204, name: '12', list: [1.5, x]}\n"
    )
    shelf = read_model(path, Shelf)
    assert shelf.probes == {1: Probe(attenuation=10, ground="spring")}
    assert (shelf.is_locked, shelf.share) == (True, 0.5)
    assert plain(shelf.rest) == {"seed": 204, "name": "12", "list": [1.5, "x"]}


@pytest.mark.parametrize(
    "text, value",
    [
        ("12", 12), ("-12", -12), ("+1", 1), ("1.5", 1.5), (".5", 0.5), ("1e3", 1000.0), ("2.", 2.0),
        ("nan", "nan"), ("inf", "inf"), ("1_000", "1_000"), ("0x10", "0x10"), ("1.2.3", "1.2.3"), ("", ""),
        ("5 V", "5 V"),
    ],
)  # fmt: skip
def test_free_form_text_is_a_number_only_if_it_looks_like_one(text: str, value: object) -> None:
    found = plain(text)
    assert (found, type(found)) == (value, type(value))


def test_everything_that_a_model_refuses_is_said_in_line_order() -> None:
    assert faults(
        "probes:\n"
        "  1: {attenuation: 10, capacitance: 3}\n"
        "  2: {ground: sprung}\n"
        "  x: {attenuation: 1.5}\n"
        "  3: 7\n"
        "  4:\n"
        "prbes: x\n"
        "is_locked: maybe\n"
        "share: half\n"
        "level: aut\n"
        "ceilings: {a-b: 3 A, c: 3 V}\n"
        "spare:\n"
        "  - {attenuation: 1}\n"
        "  - {attenuaton: 1}\n"
        "  - 5\n"
        "most: 3 V\n"
        "holder: {wide: 3}\n"
    ) == (
        "shelf.yaml:1:1: `wavewright-shelf` is missing\n  expected: version of the grammar\n"
        "shelf.yaml:2:24: unknown key `capacitance` in `probes.1`\n  expected: one of attenuation, ground\n"
        "shelf.yaml:3:3: `attenuation` is missing in `probes.2`\n  expected: division of the probe\n"
        "shelf.yaml:3:15: `ground` is `sprung`\n  expected: one of clip, spring\n  do: did you mean `spring`?\n"
        "shelf.yaml:4:3: key `x`\n  expected: a whole number\n"
        "shelf.yaml:4:20: `attenuation` is `1.5`\n  expected: a whole number\n"
        "shelf.yaml:5:6: `3` is `7`\n  expected: keys with values, `{key: value}`\n"
        "shelf.yaml:6:3: `4` is empty\n  expected: keys with values, `{key: value}`\n"
        "shelf.yaml:7:1: unknown key `prbes`\n"
        "  expected: one of ceilings, holder, is_locked, level, most, probes, rest, share, spare, wavewright-shelf\n"
        "  do: did you mean `probes`?\n"
        "shelf.yaml:8:12: `is_locked` is `maybe`\n  expected: `true` or `false`\n"
        "shelf.yaml:9:8: `share` is `half`\n  expected: a number\n"
        "shelf.yaml:10:8: `aut` is not a number\n  expected: a voltage, such as `24 V`, or `auto`\n"
        "shelf.yaml:11:12: `a-b` is not a name\n  expected: a letter, then letters, digits and `_`\n"
        "  do: write `a_b`, for example\n"
        "shelf.yaml:11:25: `3 V` is a voltage\n  expected: a current, such as `1.5 A`\n"
        "shelf.yaml:14:5: `attenuation` is missing in `spare item 2`\n  expected: division of the probe\n"
        "shelf.yaml:14:6: unknown key `attenuaton` in `spare item 2`\n  expected: one of attenuation, ground\n"
        "  do: did you mean `attenuation`?\n"
        "shelf.yaml:15:5: `spare item 3` is `5`\n  expected: keys with values, `{key: value}`\n"
        "shelf.yaml:16:7: `3 V` is a voltage\n  expected: a current, such as `1.5 A`\n"
        "shelf.yaml:17:1: `attenuation` is missing in `holder`\n  expected: division of the probe\n"
        "shelf.yaml:17:1: `width` is missing in `holder`\n  expected: how wide it opens\n"
        "shelf.yaml:17:10: unknown key `wide` in `holder`\n  expected: one of attenuation, ground, width\n"
        "  do: did you mean `width`?"
    )


def test_a_reader_that_refuses_becomes_a_validator() -> None:
    from typing import Annotated

    from pydantic import BeforeValidator

    class Pair(BaseModel):
        number: Annotated[int, BeforeValidator(refusing(even))]

    assert read_model("pair.yaml", Pair, text="number: 4").number == 4
    with pytest.raises(FileFault) as caught:
        read_model("pair.yaml", Pair, text="number: 3")
    assert str(caught.value) == "pair.yaml:1:9: `3` is odd\n  expected: an even number\n  do: add one"


def test_a_key_is_taken_by_its_earlier_name_too() -> None:
    from wavewright.instruments.profile_grammar import Quirks

    assert read_model("p.yaml", Quirks, text="repeats_questions: false").repeats_queries is False
    assert read_model("p.yaml", Quirks, text="repeats_queries: false").repeats_queries is False
    with pytest.raises(FileFault, match=r"p.yaml:2:1: unknown key `repeats_questions`"):
        read_model("p.yaml", Quirks, text="repeats_queries: false\nrepeats_questions: true")
    with pytest.raises(FileFault, match="`repeats_queries` is `maybe`"):
        read_model("p.yaml", Quirks, text="repeats_questions: maybe")
