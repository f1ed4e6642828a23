"""Quirks: what a profile says about the manners of its instrument is what goes over the wire, and what is taken."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import pyvisa

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, library_of, served
from wavewright.errors import BadAnswer, Misuse, NoAnswer
from wavewright.instruments.connecting import open_link
from wavewright.instruments.meter import Meter
from wavewright.instruments.profile import load_profile

PROFILE = """
wavewright-profile: 1
name: shy
role: meter
extends: scpi-basics
settings:
  range: {set: "SPAN {value}", ask: ["PICK 1", "SPAN?"], convert: {times: 1000}}
  reading: {ask: "LOOK?"}
"""
Open = Callable[..., Meter]


@pytest.fixture
def meter(tmp_path: Path) -> Iterator[Open]:
    """A meter with these quirks, on a wire that marks ends or on a real socket."""
    with ExitStack() as stack:

        def opened(quirks: str, device: Device, *, on_a_socket: bool = False, **options: Any) -> Meter:
            (tmp_path / "shy.yaml").write_text(f"{PROFILE}quirks: {quirks}\n", encoding="utf-8")
            profile = load_profile("shy.yaml", folder=tmp_path)
            manager, address = pyvisa.ResourceManager(library_of({MARKED: device})), MARKED
            if on_a_socket:
                server = stack.enter_context(served(device))
                manager, address = pyvisa.ResourceManager("@py"), server.address
            link = open_link(manager, address, name="shy", manners=profile.manners, **options)
            stack.callback(link.close)
            return Meter(link, profile)

        yield opened


@pytest.mark.parametrize("on_a_socket", [False, True], ids=["marked", "socket"])
def test_messages_end_as_the_instrument_wants(meter: Open, on_a_socket: bool) -> None:
    device = Device({"*IDN?\r": b"Reedbank,Shy,0,1\n", "SPAN?\r": b"2000\n"})
    shy = meter(r'{write_termination: "\r\n"}', device, on_a_socket=on_a_socket)
    assert shy.get("range") == 2.0
    assert device.sent == ["*IDN?\r", "PICK 1\r", "SPAN?\r"]


def test_answers_end_as_the_instrument_does(meter: Open) -> None:
    device = Device({"*IDN?": b"Reedbank,Shy,0,1\r", "SPAN?": b"2000\r"})
    shy = meter(r'{read_termination: "\r", timeout: 5 s}', device, on_a_socket=True)
    assert [shy.get("range"), shy.get("range")] == [2.0, 2.0]


def test_an_answer_without_an_end_is_cut_unless_the_profile_says_so(meter: Open) -> None:
    unended = {"*IDN?": b"Reedbank,Shy,0,1", "SPAN?": b"2000"}
    with pytest.raises(BadAnswer, match="cut short"):
        meter("{}", Device(dict(unended)))
    assert meter('{read_termination: ""}', Device(dict(unended))).get("range") == 2.0


def test_answers_may_hold_other_letters_where_the_profile_says_so(meter: Open) -> None:
    answers = {"LABEL?": b"20 \xb5V\n"}
    with pytest.raises(BadAnswer, match="is not ascii text"):
        meter("{}", Device(dict(answers))).link.ask("LABEL?")
    assert meter("{encoding: latin-1}", Device(dict(answers))).link.ask("LABEL?") == "20 µV"


def test_its_patience_is_the_profiles(meter: Open) -> None:
    shy = meter("{timeout: 50 ms}", Device(), on_a_socket=True)
    with pytest.raises(NoAnswer, match=r"within 0\.05 s"):
        shy.link.ask("LOOK?")


def test_it_pauses_after_each_message(meter: Open) -> None:
    pauses: list[float] = []
    shy = meter("{pause: 20 ms}", Device({"SPAN?": b"2000\n"}), pause=pauses.append)
    shy.get("range")
    assert pauses == [0.02] * 3  # identity, and two messages to ask for the range


def test_a_message_longer_than_it_takes_is_not_sent(meter: Open) -> None:
    device = Device()
    with pytest.raises(Misuse, match=r"16 bytes in `SPAN 1.2345E\+03`"):
        meter("{longest_message: 10}", device).set("range", 1.2345)
    assert device.sent == ["*IDN?"]


def test_queries_are_not_repeated_where_that_is_not_harmless(meter: Open) -> None:
    def answers() -> dict[str, Any]:
        return {"SPAN?": [b"garb\x00ed\n", b"2000\n"]}

    assert meter("{}", Device(answers())).get("range") == 2.0
    device = Device(answers())
    with pytest.raises(BadAnswer, match="bytes that are not text"):
        meter("{repeats_queries: false}", device).get("range")
    assert device.sent.count("SPAN?") == 1
