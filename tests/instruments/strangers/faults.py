"""Kinds of fault: what an instrument does wrong, from which message on. A fault knows bytes and state, no language."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tests.instruments.strangers.languages import LANGUAGES

if TYPE_CHECKING:
    from tests.instruments.strangers.sockets import Stranger

# What a message is, in each language.
MEANINGS = {
    "scpi": {
        "any": r".",
        "query": r"\?",
        "several": r"\?.*;.*\?",
        "identity": r"\*IDN\?",
        "errors": r"SYST\w+:ERR\w*\?",
        "arm": r"INIT\w*$",
        "finished": r"\*OPC\?",
        "record": r"DATA\?",
        "points": r"POINts\?",
        "slope": r"SLOPe\?",
        "off": r"OUTP\w*:STATe 0",
        "on": r"OUTP\w*:STATe 1",
        "is on": r"OUTP\w*:STATe\?",
        "voltage": r"VOLT\w*:LEV\w*:IMM\w*:AMPL\w* \S",
        "voltage?": r"VOLT\w*:LEV\w*:IMM\w*:AMPL\w*\?",
        "measured": r"MEAS\w*:SCAL\w*:VOLT",
    },
    "tarn": {
        "any": r".",
        "query": r"\?",
        "identity": r"who\?",
        "errors": r"moan\?",
        "arm": r"^go$",
        "finished": r"state\?",
        "record": r"codes",
        "points": r"count\?",
        "slope": r"slope\?",
        "off": r"gate shut",
        "on": r"gate open",
        "is on": r"gate\?",
        "voltage": r"^volts \S",
        "voltage?": r"^volts\?",
        "measured": r"probe volts",
    },
}
Pieces = Iterator[bytes | float | None]  # bytes to send, s to wait, None: hang up
Effect = Callable[["Stranger", str, "bytes | None"], Pieces]


@dataclass
class Fault:
    """An effect on messages of one meaning, from the n-th on, so many times.

    Parameters
    ----------
    after : the instrument is well until a message of this meaning has come.
    """

    effect: Effect
    at: str = "any"
    nth: int = 1
    times: int = 1 << 30
    after: str = ""
    struck: int = 0
    _seen: int = field(default=0, repr=False)
    _is_due: bool = field(default=False, repr=False)

    def on(self, stranger: Stranger, message: str) -> Pieces:
        """What is sent for a message."""
        meanings = MEANINGS[stranger.language]
        is_due = self._is_due or not self.after
        self._is_due = is_due or re.search(meanings[self.after], message) is not None
        hits = is_due and re.search(meanings[self.at], message) is not None
        self._seen += hits
        if hits and self._seen >= self.nth and self.struck < self.times:
            self.struck += 1
            if self.effect in UNHEARD:
                yield from self.effect(stranger, message, None)
            else:
                yield from self.effect(stranger, message, stranger.answer(message))
            return
        answer = stranger.answer(message)
        if answer is not None:
            yield answer


def silent(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Does what it is told, and answers nothing."""
    yield from ()


def dead(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Does nothing any more; the connection stands."""
    stranger.fault = Fault(frozen, struck=1)
    yield from ()


def frozen(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """What `dead` leaves."""
    yield from ()


def late(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Answers after everybody's patience."""
    yield 1.6 * stranger.patience
    yield answer or b""


def slow(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Answers within the patience, but for a little."""
    yield 0.4 * stranger.patience
    yield answer or b""


def dripping(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """A byte now and then, each within the patience, the whole not."""
    for byte in answer or b"":
        yield bytes([byte])
        yield 0.3 * stranger.patience


def hangs_up(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Closes the connection in place of an answer; a new one is welcome."""
    yield None


def half_then_hangs_up(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield (answer or b"")[: len(answer or b"") // 2]
    yield None


def gone(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Closes the connection, and takes no other."""
    stranger.stop_listening()
    yield None


def half(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield (answer or b"")[: len(answer or b"") // 2]


def endless(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Bytes without an end, and without NL."""
    while True:
        yield b"1" * 64
        yield 1e-3


def endless_lines(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    while True:
        yield answer or b"1\n"
        yield 1e-3


def deaf(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Reads nothing any more, so that what is sent piles up."""
    while True:
        yield 60.0


def twice(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield 2 * (answer or b"")


def one_behind(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Answers what was asked before: out of step from here on."""
    before, stranger.kept = stranger.kept, answer or stranger.kept
    yield before if answer is not None else b""


def shouting(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Says something that nobody asked for, in front of the answer."""
    yield b"42\n" + (answer or b"")


def garbage(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield b"\x80\xff\x01\x00\n"


def empty(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield b"\n"


def without_end(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield (answer or b"").rstrip(b"\n")


def a_word(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """A word that is none of the expected ones."""
    yield b"EC\n" if stranger.language == "scpi" else (answer or b"").partition(b"=")[0] + b"=EC\n"


def no_value(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """9.91E37 stands for "not a number": SCPI-99 volume 1, 7.2.1 (from memory, not verified)."""
    head = b"" if stranger.language == "scpi" else (answer or b"").partition(b"=")[0] + b"="
    yield head + b"9.91E+37\n"


def out_of_all_sense(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    head = b"" if stranger.language == "scpi" else (answer or b"").partition(b"=")[0] + b"="
    yield head + b"-1.2E+11\n"


def complaining(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Never an empty error queue."""
    yield b'-222,"Data out of range"\n' if stranger.language == "scpi" else b"8:too much\n"


def another(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """An identity that its profile is not for."""
    yield b"Somebody,Else,0,0\n"


def restarting(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The mains fail for a moment: settings lost, power-on told, the connection stands."""
    stranger.device.restart()
    yield LANGUAGES[stranger.language](stranger.device, message) or b""


def clamping(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Takes 3.3 V, whatever it is told."""
    stranger.device.overrules["voltage"] = 3.3
    stranger.device.set("voltage", 3.3)
    yield answer or b""


def stuck_on(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The output does not go off, and is said to be on."""
    stranger.device.state["output"] = 1.0
    stranger.device.settle()
    yield answer or b""


def says_off(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The output stays on, and is said to be off."""
    stranger.device.is_stuck_on = True
    stranger.device.settle()
    yield answer or b""


def says_on(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The output is off, and is said to be on."""
    yield b"1\n" if stranger.language == "scpi" else b"gate=open\n"


def never_on(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The output does not go on."""
    stranger.device.state["output"] = 0.0
    stranger.device.settle()
    yield answer or b""


def block_cut(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield (answer or b"")[:-30]


def block_short(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Three bytes are missing in the middle."""
    whole = answer or b""
    yield whole[:100] + whole[103:]


def block_long(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    whole = answer or b""
    yield whole[:-1] + b"xyz\n"


def block_bare(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Samples without a header."""
    yield (answer or b"")[8:]


def block_huge(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The header promises what no memory holds."""
    yield b"#9999999999" + (answer or b"")[8:]


def block_of_fewer(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """A whole block with fewer samples than were said to be taken."""
    data = (answer or b"")[8:-1][:-200]
    yield b"#6%06d" % len(data) + data + b"\n"


def never_finished(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """No end of the acquisition: silence, or busy for ever."""
    yield b"" if stranger.language == "scpi" else b"busy\n"


def first_answer_only(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Of several queries in a message it answers the first."""
    yield (answer or b"").partition(b";")[0].rstrip(b"\n") + b"\n"


def last_answer_only(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """It forgets the answer that is not read yet."""
    yield (answer or b"").rpartition(b";")[2]


def answers_in_lines(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """A line for each query."""
    yield (answer or b"").replace(b";", b"\n")


def backwards(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The last query is answered first."""
    yield b";".join(reversed((answer or b"").rstrip(b"\n").split(b";"))) + b"\n"


def first_two_swapped(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    first, second, *rest = (answer or b"").rstrip(b"\n").split(b";")
    yield b";".join([second, first, *rest]) + b"\n"


def one_answer_more(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield (answer or b"").rstrip(b"\n") + b";0\n"


def one_answer_more_in_front(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    yield b"0;" + (answer or b"")


def knows_one_query_only(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """Takes no more than one query in a message, and says so in its error queue only: -103 is "invalid separator"."""
    stranger.device.errors.append((-103, "Invalid separator"))
    yield b""


def refuses_in_its_own_words(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The same, by a code of its own: a positive one is device-specific."""
    stranger.device.errors.append((17, "One at a time"))
    yield b""


def ends_within_a_string(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """The answer ends at a `;` that stands in a string, and loses the rest."""
    whole = answer or b""
    if b'"' in whole:
        head, _, text = whole.rstrip(b"\n").partition(b'"')
        yield head + b'"' + text[:4] + b";\n"
    else:
        yield whole


def complains_in_several_parts(stranger: Stranger, message: str, answer: bytes | None) -> Pieces:
    """An error whose text holds a `;`, as SCPI-99 allows, and of which no register tells."""
    yield (answer or b"").replace(b'0,"No error"', b'-310,"System error;it is warm;0"')


OF_SEVERAL = (
    first_answer_only, last_answer_only, answers_in_lines, backwards, first_two_swapped, one_answer_more,
    one_answer_more_in_front, knows_one_query_only, refuses_in_its_own_words, ends_within_a_string,
    complains_in_several_parts,
)  # fmt: skip
UNHEARD = (dead, frozen, deaf, gone, hangs_up, knows_one_query_only, refuses_in_its_own_words)  # it is not obeyed
OF_A_MESSAGE = (one_behind, twice, shouting, late, *OF_SEVERAL)  # strikes the whole answer to a message of several
