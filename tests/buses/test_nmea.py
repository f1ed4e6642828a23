from __future__ import annotations

import numpy as np
import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.encoders.sent import text_bytes
from wavewright.buses.decode import decode
from wavewright.buses.frames import Frames
from wavewright.simulation.encoders.drawing import draw
from wavewright.simulation.encoders.impairments import jittered, off_rate
from wavewright.simulation.encoders.uart import uart_line

SENTENCES = [  # NMEA 0183 (from memory); by hand and pynmea2 1.19.0
    "$GPGLL,5300.97914,N,00259.98174,E,125926,A*28",
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$PTEST,1,2,3*5A",
]


def said(*texts: str, **options: object) -> Frames:
    line = uart_line(text_bytes(*texts), baud=4800, lead=1e-2, tail=1e-2)
    return decode({"tx": draw(line, rate=48e3)}, "uart", baud=4800, then="nmea", **options)


@pytest.mark.parametrize("sentence", SENTENCES, ids=["GLL", "GGA", "RMC", "own"])
def test_a_sentence_is_read_and_checked(sentence: str) -> None:
    (frame,) = said(sentence, "\r\n")
    assert (frame["text"], frame["checksum"], frame.errors) == (sentence, int(sentence[-2:], 16), ())
    assert pynmea2.NMEASentence.checksum(sentence[1:-3]) == frame["checksum"]


def test_its_parts_are_those_of_another_library() -> None:
    for sentence in SENTENCES[:3]:
        theirs = pynmea2.parse(sentence)
        (frame,) = said(sentence, "\r\n")
        assert (frame["talker"], frame["formatter"], list(frame["values"])) == (
            theirs.talker, theirs.sentence_type, theirs.data,
        )  # fmt: skip


def test_a_sentence_of_another_library_comes_back() -> None:
    text = str(pynmea2.GLL("GP", "GLL", ("4717.11", "N", "00833.91", "E", "120000.00", "A")))
    assert said(text, "\r\n")[0].errors == ()


def test_what_is_wrong_is_told() -> None:
    assert said("$PTEST,1,2,3*5B\r\n")[0].errors == ("checksum",)
    assert said("$PTEST,1,2,3\r\n")[0].errors == ("checksum",)
    assert said("$PTEST,1,2,3\r\n", checksum=False)[0].errors == ()
    assert said("$PTEST,1,2,3*5A\n")[0].errors == ("format",)
    assert said("$PTEST,1,$PTEST,1,2,3*5A\r\n")[0].errors == ("format", "checksum")
    assert "cut" in said("$PTEST,1,2,3*5A")[0].errors
    assert "format" in said("$*00\r\n")[0].errors


def test_what_stands_between_sentences_is_left_out() -> None:
    frames = said("boot ok\r\n", SENTENCES[3], "\r\n", "noise", SENTENCES[0], "\r\n")
    assert [frame["text"] for frame in frames] == [SENTENCES[3], SENTENCES[0]]


WORDS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-", max_size=8)


@given(
    sentences=st.lists(st.lists(WORDS, min_size=1, max_size=6), min_size=1, max_size=4),
    error=st.floats(-0.02, 0.02),
    seed=st.integers(0, 999),
)
def test_sentences_of_another_library_come_back_through_a_poor_line(
    sentences: list[list[str]], error: float, seed: int
) -> None:
    # given sentences that pynmea2 has put together, at a rate that is off, with jitter, slow edges and noise
    sent = [str(pynmea2.TalkerSentence("GP", "XDR", words)) for words in sentences]
    generator = np.random.default_rng(seed)
    line = uart_line(text_bytes(*(text + "\r\n" for text in sent)), baud=4800, lead=1e-2, tail=1e-2)
    line = jittered(off_rate(line, error), 4e-6, generator)
    tx = draw(line, rate=48e3, rise_time=40e-6, noise=0.1, generator=generator)
    frames = decode({"tx": tx}, "uart", baud=4800, then="nmea")
    assert [frame["text"] for frame in frames] == sent
    assert [list(frame["values"]) for frame in frames] == sentences
    assert not frames.has_errors.any()
