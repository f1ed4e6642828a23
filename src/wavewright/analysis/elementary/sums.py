"""Sums of products, and the linear equations of a least-squares fit with few unknowns.

The order in which a library of linear algebra adds depends on the system and on the processor; NumPy's own sum has one
order everywhere.
"""

from __future__ import annotations

import math

import numpy as np

from wavewright.waveform import Floats

_DEPENDENT = 1e-14  # of a column's length: what is left of it beside the others, and is but rounding


def inner(first: Floats, second: Floats) -> float:
    """Σ first · second; shape (n,) each."""
    return float(np.sum(first * second))


def gram(rows: Floats) -> Floats:
    """The sums of the products of each two rows, shape (k, k), of rows of shape (k, n)."""
    found = np.empty((len(rows), len(rows)))
    for row, one in enumerate(rows):
        for column in range(row + 1):
            found[row, column] = found[column, row] = inner(one, rows[column])
    return found


def weighted(weights: Floats, rows: Floats) -> Floats:
    """Σ weight · row, shape (n,), of weights of shape (k,) and rows of shape (k, n)."""
    total = np.zeros(rows.shape[1])
    for weight, row in zip(weights.tolist(), rows, strict=True):
        total += weight * row
    return total


def solve(matrix: Floats, right: Floats) -> Floats:
    """The solution of few linear equations, by elimination, the largest pivot first; shapes (k, k), (k,) or (k, m).

    Not numbers where there is no solution, or more than one.
    """
    size = len(matrix)
    table = np.column_stack([matrix, right]).astype(np.float64)
    for column in range(size):
        pivot = column + int(np.argmax(np.abs(table[column:, column])))
        if not table[pivot, column]:
            return np.full(np.shape(right), np.nan)
        table[[column, pivot]] = table[[pivot, column]]
        for row in range(column + 1, size):
            table[row] -= table[row, column] / table[column, column] * table[column]
    for row in range(size - 1, -1, -1):
        for column in range(row + 1, size):
            table[row] -= table[row, column] * table[column]
            table[row, column] = 0.0
        table[row] /= table[row, row]
    return table[:, size:].reshape(np.shape(right))


def least_squares(columns: Floats, values: Floats) -> Floats:
    """The factors of the columns whose sum comes nearest to the values; shapes (k, n) and (n,), k few.

    By orthogonal columns (modified Gram and Schmidt, each twice). A column that depends on those before it gets 0.
    """
    across = np.zeros((len(columns), len(columns)))
    straight = np.array(columns, dtype=np.float64)
    for number in range(len(straight)):
        length = math.sqrt(inner(straight[number], straight[number]))
        for _ in range(2):
            for other in range(number):
                share = inner(straight[other], straight[number])
                across[other, number] += share
                straight[number] -= share * straight[other]
        left = math.sqrt(inner(straight[number], straight[number]))
        across[number, number] = left if left > _DEPENDENT * length else 0.0
        straight[number] *= 1 / left if across[number, number] else 0.0
    rest = np.array(values, dtype=np.float64)
    factors = np.zeros(len(columns))
    for number, column in enumerate(straight):
        factors[number] = inner(column, rest)
        rest -= factors[number] * column
    for number in range(len(columns) - 1, -1, -1):
        if across[number, number]:
            factors[number] -= sum(across[number, k] * factors[k] for k in range(number + 1, len(columns)))
            factors[number] /= across[number, number]
        else:
            factors[number] = 0.0
    return factors
