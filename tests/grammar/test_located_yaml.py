"""Reading YAML with places: what is no such file gives one clear fault, and quickly."""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import FileFault, Place, WavewrightError
from wavewright.grammar import located_yaml
from wavewright.grammar.located_yaml import YamlList, YamlMapping, YamlScalar, parse_tree
from wavewright.recipe.load import load_recipe

Complaint = Callable[[str | bytes], str]

BOMB = "\n".join(
    ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    + [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 9)]  # 9 ** 9 values
)
KEYS = "  expected: `key: value`, lists and words"

NO_YAML = [
    ("a: 1\n\tb: 2\n", "recipe.yaml:2:1: a tab\n  expected: spaces only\n  do: replace each tab by two spaces"),
    ("a: {b: \t2}\n", "recipe.yaml:1:8: a tab\n  expected: spaces only\n  do: replace each tab by two spaces"),
    ("a: b: c\n", "recipe.yaml:1:5: `a: b: c` is not YAML: a second `:` in one line, or none in the line above\n"
     f"{KEYS}\n  do: put a text that contains `: ` in quotes"),
    ("a: %x\n", f"recipe.yaml:1:4: `a: %x` is not YAML: a sign that cannot begin a value\n{KEYS}\n"
     "  do: put the value in quotes"),
    ("a: [1, 2\n", f"recipe.yaml:2:1: the text ends too early: a bracket that is never closed\n{KEYS}\n  do: close it"),
    (
        'a: "C:\\Windows\\visa.dll"\n',
        f'recipe.yaml:1:8: `a: "C:\\Windows\\visa.dll"` is not YAML: a backslash in double quotes begins a special sign'
        f"\n{KEYS}\n  do: write a path with /, or in single quotes",
    ),
    ('a: "x\n', f"recipe.yaml:2:1: the text ends too early: a quote that is never closed\n{KEYS}\n  do: close it"),
    ("a: {x: 1\nb: 2\n", "recipe.yaml:2:2: `b: 2` is not YAML: a bracket that is not closed, or a comma that is "
     f"missing\n{KEYS}\n  do: close the bracket, or add the comma"),
    ("a:\n  b: 1\n c: 2\n", "recipe.yaml:3:2: `c: 2` is not YAML: a line that is not indented as its neighbours "
     f"are\n{KEYS}\n  do: line it up with the keys above it"),
    ("limit: > 5\n", "recipe.yaml:1:10: `limit: > 5` is not YAML: `>` and `|` begin a text of several lines\n"
     f"{KEYS}\n  do: write `at least …`, or put the value in quotes"),
    ("{a: 1}}\n", f"recipe.yaml:1:7: `{{a: 1}}}}` is not YAML: a closing bracket too many\n{KEYS}\n  do: take it out"),
    ("a: - b\n", "recipe.yaml:1:4: `a: - b` is not YAML: a list that begins in the line of its key\n"
     f"{KEYS}\n  do: begin it on a line of its own"),
    ("", "recipe.yaml: the file is empty\n  expected: keys with values, `key: value`"),
    ("# nothing\n", "recipe.yaml: the file is empty\n  expected: keys with values, `key: value`"),
    ("- a\n", "recipe.yaml:1:1: the file is a list\n  expected: keys with values, `key: value`"),
    ("a b\n", "recipe.yaml:1:1: the file is the text `a b`\n  expected: keys with values, `key: value`"),
    ("a: 1\n---\nb: 1\n", "recipe.yaml:2:1: a second document begins here\n  expected: one document in a file"),
    ("a: 1\na: 2\n", "recipe.yaml:2:1: key `a` again\n  expected: each key once; the first is in line 1"),
    ("b: {c: 1,\n  c: 2}\n", "recipe.yaml:2:3: key `c` again\n  expected: each key once; the first is in line 1"),
    ("true: x\n", "recipe.yaml:1:1: `true` as a key\n  expected: a word\n"
     '  do: write `"true":` if the word itself is meant'),
    ("? [a]\n: b\n", "recipe.yaml:1:3: a key that is not a word\n  expected: a word"),
    ("<<: {a: 1}\n", "recipe.yaml:1:1: a merge key, `<<`\n  expected: keys without `<<`\n  do: write the keys out"),
    ("a: !!python/name:os.system {}\n", "recipe.yaml:1:4: tag `tag:yaml.org,2002:python/name:os.system`\n"
     "  expected: plain values without a tag\n  do: remove the tag"),
    ("a: *b\n", "recipe.yaml:1:4: alias `*b` without its anchor\n  expected: an anchor `&b` above it"),
    ("a: &x [*x]\n", "recipe.yaml:1:8: alias `*x` contains itself\n  expected: values that come to an end"),
    (BOMB, "recipe.yaml:5:35: too many values, aliases written out\n  expected: at most 50000 in a file"),
    ("a: " + "[" * 100_000, "recipe.yaml:1:27: nested too deeply\n  expected: at most 24 levels"),
    ("[" * 10_000_000, "recipe.yaml: too large for a file written by hand\n  expected: at most 256 KiB"),
    ("a: x\x01\n", "recipe.yaml:1:5: character U+0001 is not text\n  expected: letters, digits and punctuation"),
    ('a: 1\nb: "x\\ud800"\n', "recipe.yaml:2:4: character U+D800 is not text\n"
     "  expected: letters, digits and punctuation"),
    (b"\x89PNG\r\n\x1a\n\x00\x00", "recipe.yaml:1:1: byte 0x89 is not text in UTF-8\n"
     "  expected: a text file in UTF-8\n  do: save it as UTF-8"),
    ("a: µ\nb: ".encode() + b"\xb5s", "recipe.yaml:2:4: byte 0xB5 is not text in UTF-8\n"
     "  expected: a text file in UTF-8\n  do: save it as UTF-8"),
    ("a: 1".encode("utf-16"), "recipe.yaml:1:1: byte 0xFF is not text in UTF-8\n"
     "  expected: a text file in UTF-8\n  do: save it as UTF-8"),
]  # fmt: skip


@pytest.mark.parametrize("content, message", NO_YAML, ids=[repr(row[0][:20]) for row in NO_YAML])
def test_a_file_that_cannot_be_read_gets_one_fault(complaint: Complaint, content: str | bytes, message: str) -> None:
    assert complaint(content) == message


def test_faults_of_structure_come_all_at_once(complaint: Complaint) -> None:
    assert complaint("a: 1\na: 2\nb: {c: 1, c: 2}\n") == (
        "recipe.yaml:2:1: key `a` again\n  expected: each key once; the first is in line 1\n"
        "recipe.yaml:3:11: key `c` again\n  expected: each key once; the first is in line 3"
    )


def test_a_missing_file_is_named(in_folder: Path) -> None:
    with pytest.raises(FileFault) as caught:
        load_recipe("nowhere/recipe.yaml")
    assert str(caught.value) == (
        "nowhere/recipe.yaml: there is no such file\n  do: check the path; it is relative to the current folder"
    )


def test_a_folder_is_no_recipe(in_folder: Path) -> None:
    (in_folder / "recipes").mkdir()
    with pytest.raises(FileFault) as caught:
        load_recipe("recipes")
    assert str(caught.value) == "recipes: this is a folder\n  expected: a text file\n  do: name a file in it"


@pytest.mark.posix("takes a permission away by mode")
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root reads everything")
def test_a_file_without_permission_says_so(in_folder: Path) -> None:
    (in_folder / "recipe.yaml").write_text("a: 1")
    (in_folder / "recipe.yaml").chmod(0)
    with pytest.raises(FileFault) as caught:
        load_recipe("recipe.yaml")
    assert str(caught.value) == "recipe.yaml: cannot be read: Permission denied\n  expected: a readable file"


def test_a_name_with_a_nul_is_no_file() -> None:
    with pytest.raises(FileFault, match=r"cannot be read: embedded null (byte|character)"):
        load_recipe("a\0b")


def test_a_file_may_begin_with_a_byte_order_mark(in_folder: Path) -> None:
    (in_folder / "recipe.yaml").write_bytes("\ufeffa: 1\n".encode())
    with pytest.raises(FileFault, match=r"recipe\.yaml:1:1: unknown key `a`"):
        load_recipe("recipe.yaml")


def test_only_true_false_and_null_have_a_meaning_of_their_own() -> None:
    # YAML 1.2.2, 10.3.2: the core schema's booleans and null; `on`, `off`, `yes`, `no` were booleans in YAML 1.1
    tree = parse_tree("{a: on, b: off, c: yes, d: no, e: true, f: false, g: ~, h: null, i: , j: 1_000, k: 'true'}", "f")
    assert tree == {
        "a": "on", "b": "off", "c": "yes", "d": "no", "e": True, "f": False, "g": None, "h": None, "i": None,
        "j": "1_000", "k": "true",
    }  # fmt: skip
    assert tree.scalar_at("a") == "on"


def test_an_anchor_can_be_used_again() -> None:
    tree = parse_tree("a: &wide {range: 8 V}\nb: *wide\n", "f")
    assert tree["a"] == tree["b"] == {"range": "8 V"}


def test_keys_and_values_know_where_they_stand() -> None:
    tree = parse_tree("a:\n  - b: c d\n    e:\n", "f.yaml")
    row = tree["a"]
    assert isinstance(row, YamlList)
    assert row.place == Place("f.yaml", 2, 3)
    block = row[0]
    assert isinstance(block, YamlMapping)
    assert (block.place, block.key_place("b"), block.value_place("b")) == (
        Place("f.yaml", 2, 5), Place("f.yaml", 2, 5), Place("f.yaml", 2, 8),
    )  # fmt: skip
    assert block.value_place("e") == Place("f.yaml", 3, 5)


def test_a_word_leaves_the_process_as_plain_text() -> None:
    word = YamlScalar("24 V", Place("f", 1, 1))
    assert type(pickle.loads(pickle.dumps(word))) is str


@given(st.text(alphabet=st.sampled_from("ab:-[]{},'\"#&*!|>%@ \n\t1?"), max_size=60))
def test_any_text_is_a_tree_or_a_fault_of_its_file(text: str) -> None:
    try:
        tree: YamlMapping | None = parse_tree(text, "f.yaml")
    except WavewrightError as fault:
        tree = None
        assert str(fault).startswith("f.yaml")  # noqa: PT017  # either outcome is right
    assert tree is None or isinstance(tree, YamlMapping)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_recipe_or_a_fault_of_the_file(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "recipe.yaml"
    path.write_bytes(content)
    with pytest.raises(FileFault):
        load_recipe(path)


SHIPPED = sorted([*Path("recipes").glob("*.yaml"), *Path("sim").rglob("*.yaml")])


@pytest.mark.parametrize("file", SHIPPED, ids=str)
def test_both_parsers_of_pyyaml_make_the_same_tree(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # libyaml is taken where it is there; PyYAML's own parser is the reference
    def places(node: object) -> object:
        if isinstance(node, YamlMapping):
            return str(node.place), [(places(key), places(value)) for key, value in node.items()]
        if isinstance(node, YamlList):
            return str(node.place), [places(item) for item in node]
        return (str(node), str(node.place), node.is_quoted) if isinstance(node, YamlScalar) else node

    text = file.read_text(encoding="utf-8")
    fast = places(parse_tree(text, "file"))
    monkeypatch.setattr(located_yaml, "_FAST", yaml.SafeLoader)
    assert places(parse_tree(text, "file")) == fast
