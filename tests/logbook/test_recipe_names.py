"""A logbook written on Windows says the same here: the name of a recipe does not depend on who reads its path."""

from __future__ import annotations

import pytest

from wavewright.logbook.rows import recipe_name


@pytest.mark.parametrize(
    "path",
    ["recipes/end_of_line.yaml", r"recipes\end_of_line.yaml", r"\\server\share\end_of_line.yaml", "end_of_line.yaml"],
)
def test_the_name_is_the_same_on_every_system(path: str) -> None:
    assert recipe_name(path) == "end_of_line"
