"""What computes a reading, its uncertainty or its verdict takes no function that differs between systems."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import wavewright

ROOT = Path(wavewright.__file__).parent
PARTS = ("analysis", "buses", "recognition", "judgement")
# each was seen to differ in its last digits between two systems, with one NumPy and one SciPy on one processor
OF_THE_SYSTEM = {
    "math": {
        "acos", "acosh", "asin", "asinh", "atan", "atan2", "atanh", "cbrt", "cos", "cosh", "erf", "erfc", "exp", "exp2",
        "expm1", "gamma", "lgamma", "log", "log10", "log1p", "log2", "pow", "sin", "sinh", "tan", "tanh",
    },
    "np": {
        "angle", "arccos", "arcsin", "arctan", "arctan2", "cbrt", "convolve", "correlate", "corrcoef", "cos", "cosh",
        "cov", "dot", "exp", "exp2", "expm1", "fft", "geomspace", "hanning", "hypot", "i0", "inner", "kaiser", "linalg",
        "log", "log10", "log1p", "log2", "logspace", "matmul", "polyfit", "power", "sin", "sinc", "sinh", "tan", "tanh",
        "tensordot", "vdot",
    },
}  # fmt: skip
MODULES = {"cmath", "statistics", "scipy.special", "scipy.stats", "scipy.linalg", "scipy.signal.windows"}
FROM_SCIPY = {
    "brentq", "correlate", "correlation_lags", "fft", "irfft", "maximum_filter1d", "minimum_filter1d", "next_fast_len",
    "rfft", "sosfilt", "sosfilt_zi", "upfirdn",
}  # fmt: skip
EXCEPTIONS = {
    "analysis/uncertainty/combination.py": "correlations that a program states; no recipe does",
    "analysis/uncertainty/draws.py": "draws for a function of a program's own",
    "buses/can/can.py": "products of whole numbers, which are exact",
    "buses/i2s.py": "products of whole numbers, which are exact",
    "recognition/line_groups.py": "which lines mirror each other: far from its limit or wrong anyway",
}


def taken(path: Path) -> list[str]:
    """What a file takes that is not the same everywhere, with the lines."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        name = ""
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            name = node.attr if node.attr in OF_THE_SYSTEM.get(node.value.id, ()) else ""
        elif isinstance(node, ast.ImportFrom) and node.module in MODULES:
            name = node.module
        elif isinstance(node, ast.ImportFrom) and node.module == "math":
            name = ", ".join(one.name for one in node.names if one.name in OF_THE_SYSTEM["math"])
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("scipy"):
            name = ", ".join(one.name for one in node.names if one.name not in FROM_SCIPY)
        elif isinstance(node, ast.Import):
            name = ", ".join(one.name for one in node.names if one.name in MODULES)
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.MatMult):
            name = "@"
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
            name = "" if is_of_whole_numbers(node) else "**"
        if name:
            found.append(f"{name} in line {getattr(node, 'lineno', 0)}")
    return found


def is_of_whole_numbers(power: ast.BinOp) -> bool:
    """2**20, (-1)**k; also units to the power of a fraction, and powers of two and ten that are exact."""
    base, text = power.left, ast.unparse(power)
    if isinstance(base, ast.UnaryOp):
        base = base.operand
    if isinstance(base, ast.Constant):
        return isinstance(base.value, int) or base.value in {1.0, 2.0}
    return "Fraction" in text


@pytest.mark.parametrize("part", PARTS)
def test_nothing_that_differs_between_systems_is_taken(part: str) -> None:
    against = {}
    for path in sorted((ROOT / part).rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        if name in EXCEPTIONS or name.startswith("analysis/elementary/"):
            continue
        if found := taken(path):
            against[name] = found
    assert not against, "take it from wavewright.analysis.elementary, which is the same everywhere"


def test_exceptions_are_needed() -> None:
    assert all(taken(ROOT / name) for name in EXCEPTIONS)
