"""What a register of status may answer: a whole number in any form of IEEE 488.2; and nothing else ends a wait."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.instruments.spoken import ScpiDigitizer, bench_of
from wavewright.errors import BadAnswer
from wavewright.instruments.bench import open_bench
from wavewright.instruments.scpi import read_register
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup

NONE_OF_THEM = ["9.91E37", "9.9E37", "-9.9E37", "-1", "0.5", "65536", "INF", "NAN", "EC", "", "1,1"]
SETUP = DigitizerSetup({"line": InputSetup(1, 4.0)}, TimebaseSetup(100, 1e-6), TriggerSetup())


@pytest.mark.parametrize(
    "answer, content",
    [
        ("0", 0),
        ("+32", 32),
        ("32.0", 32),
        ("3.2E+01", 32),
        ("#H60", 96),
        ("#Q40", 32),
        ("#B100000", 32),
        (" 65535 ", 65535),
    ],
)
def test_a_register_is_read_in_every_form(answer: str, content: int) -> None:
    # IEEE 488.2-1992, 8.7.2 to 8.7.7 (from memory, not verified)
    assert read_register(answer) == content


@pytest.mark.parametrize("answer", NONE_OF_THEM)
def test_what_no_register_holds_is_refused(answer: str) -> None:
    with pytest.raises(BadAnswer):
        read_register(answer)


def test_a_register_of_eight_bits_holds_no_more() -> None:
    assert read_register("255", most=255) == 255
    with pytest.raises(BadAnswer, match="not the content of a register"):
        read_register("256", most=255)


@pytest.mark.parametrize("answer", [one for one in NONE_OF_THEM if one])
def test_a_wait_that_asks_a_register_ends_with_an_error(tmp_path: Path, answer: str) -> None:
    (tmp_path / "own.yaml").write_text(
        "wavewright-profile: 1\nname: own\nextends: scpi-digitizer\n"
        'acquire: {finished: {poll: {ask: "STATus:OPERation:CONDition?", mask: 56}}}\n',
        encoding="utf-8",
    )
    device = ScpiDigitizer()
    device.answers["STATus:OPERation:CONDition?"] = answer
    with (
        bench_of(tmp_path, {"digitizer": device}, profiles={"digitizer": "own.yaml"}) as file,
        open_bench(file) as bench,
    ):
        bench.reset()
        bench.digitizer.configure(SETUP)
        with pytest.raises(BadAnswer):
            bench.digitizer.acquire()
    assert device.sent.count("ABORt") == 1
