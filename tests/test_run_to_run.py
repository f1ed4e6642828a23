"""What is left of an output when what differs from run to run is taken away."""

from __future__ import annotations

import pytest

from tests.run_to_run import plain


@pytest.mark.parametrize("name", ["patience-no-serial", "end_of_line-VC204-0013"])
def test_a_second_run_of_one_second_prints_the_same(name: str) -> None:
    first = f"run 20260115-093000-1c1cc98d; evidence in outcomes/20260115T093000Z-{name}"
    second = f"run 20260115-093000-7ea8902d; evidence in outcomes/20260115T093000Z-{name}-2"
    assert plain(second) == plain(first)
    assert name in plain(first)


def test_another_serial_number_is_not_the_same() -> None:
    assert plain("outcomes/20260115T093000Z-a-VC204-0013") != plain("outcomes/20260115T093000Z-a-VC204-0014")
