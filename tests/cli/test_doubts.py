"""`wavewright doubts`."""

from __future__ import annotations

from collections.abc import Callable

from tests.cli.conftest import Spoken
from wavewright.analysis.doubts import Doubt

Command = Callable[..., Spoken]


def test_every_doubt_is_listed_with_threshold_meaning_and_cure(wavewright: Command) -> None:
    listed = wavewright("doubts", "--json").json
    assert [one["name"] for one in listed] == [doubt.value for doubt in Doubt]
    assert all(one[key] for one in listed for key in ("threshold", "meaning", "cure", "bears_on"))
    shown = " ".join(wavewright("doubts").stdout.split())
    for one in listed:
        assert all(one[key] in shown for key in ("name", "threshold", "meaning", "cure"))
