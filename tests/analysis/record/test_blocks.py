from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import wavewright
from wavewright.analysis.record.blocks import blocks, spans

ROOT = Path(wavewright.__file__).parent


@given(first=st.integers(-20, 50), length=st.integers(-3, 100), size=st.integers(1, 40))
def test_blocks_follow_each_other_without_gap_and_overlap(first: int, length: int, size: int) -> None:
    found = list(spans(first, first + length, size))
    assert [index for begin, end in found for index in range(begin, end)] == list(range(first, first + length))
    assert all(end - begin == size for begin, end in found[:-1])


@given(length=st.integers(0, 100), size=st.integers(1, 40))
def test_the_codes_of_all_blocks_are_those_of_the_record(length: int, size: int) -> None:
    codes = np.arange(length, dtype=np.int16)
    found = list(blocks(codes, size))
    assert np.array_equal(np.concatenate([np.empty(0, dtype=np.int16), *found]), codes)
    assert all(np.shares_memory(block, codes) for block in found)


@pytest.mark.parametrize("part", ["analysis", "buses"])
def test_sizes_of_blocks_are_said_in_one_file(part: str) -> None:
    said = [
        f"{path.relative_to(ROOT).as_posix()}: {target.id}"
        for path in sorted((ROOT / part).rglob("*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name) and target.id.strip("_").endswith("BLOCK")
    ]
    assert all(line.startswith("analysis/record/blocks.py") for line in said), said
