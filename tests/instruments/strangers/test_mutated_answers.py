"""Answers of every role, words among them, damaged on their way over a real socket: right, or a clear error.

One answer of each operation is cut, stuffed, flipped, doubled, or another that was given before. What comes of the
operation is held against the stranger's own state. The one thing that nobody can notice is a measured value, or a
sample, that still is a well-formed one of its kind; these are counted apart, and must be what the damaged answer says.

2,000 in the usual suite, 20,000 with WAVEWRIGHT_PROOF=full.
"""

from __future__ import annotations

import math
import os
import random
import re
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from tests.instruments.strangers.devices import Digitizer
from tests.instruments.strangers.faults import Pieces
from tests.instruments.strangers.sockets import Stranger, Strangers, strangers
from tests.instruments.strangers.watching import watched
from wavewright.errors import WavewrightError
from wavewright.instruments.bench import Bench, open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.setups import (
    DigitizerSetup,
    InputSetup,
    MeterSetup,
    SourceSetup,
    SupplySetup,
    TimebaseSetup,
    TriggerSetup,
)

IN_ALL = 20_000 if os.environ.get("WAVEWRIGHT_PROOF") == "full" else 2_000
ROLES = ("digitizer", "supply", "source", "meter")
LANGUAGES = ("scpi", "tarn")
EACH = IN_ALL // (len(ROLES) * len(LANGUAGES))
# an answer that lost its end is waited for
QUICK = "timeout: 30 ms, recovery_timeout: 600 ms, record_timeout: 60 ms, connect_timeout: 2 s"
SETUP = DigitizerSetup(
    {"rail": InputSetup(1, 8.0, 1.0)},
    TimebaseSetup(300, 1e-5, 1e-3),
    TriggerSetup("auto", "rail", level=1.5, timeout=0.1),
)
PRINTED = 1e-6  # relative; what differs by less nobody can tell from the rounding of seven digits
MEASURED = re.compile(r"MEAS|READ\?|probe|take")
RECORD = re.compile(r"DATA\?|codes")
NUMBER = re.compile(rb"\s*[+-]?(\d+\.?\d*|\.\d+)(\s*[eE]\s*[+-]?\d+)?\s*")


@dataclass
class Mutator:
    """Damages the n-th answer, once."""

    chance: random.Random
    target: int = 0
    answers: int = 0
    message: str = ""
    true: bytes = b""
    sent: bytes = b""
    earlier: list[bytes] = field(default_factory=list)

    def aim(self, target: int) -> None:
        self.target, self.answers, self.message, self.true, self.sent = target, 0, "", b"", b""

    def on(self, stranger: Stranger, message: str) -> Pieces:
        answer = stranger.answer(message)
        if answer is None:
            return
        self.answers += 1
        if self.answers == self.target:
            self.message, self.true, self.sent = message, answer, self.mutated(answer)
            answer = self.sent
        elif len(answer) < 100 and self.chance.random() < 0.2:
            self.earlier = [*self.earlier[-20:], answer]
        yield answer

    def mutated(self, answer: bytes) -> bytes:
        chance, data = self.chance, bytearray(answer)
        for _ in range(chance.choice((1, 1, 1, 2, 3))):
            at = chance.randrange(len(data) + 1)
            until = min(len(data), at + chance.randint(1, 4))
            kind = chance.choice(("cut", "take out", "put in", "flip", "digit", "double", "another", "word"))
            if kind == "cut":
                del data[at:]
            elif kind == "take out":
                del data[at:until]
            elif kind == "put in":
                data[at:at] = chance.randbytes(chance.randint(1, 3))
            elif kind == "flip" and at < len(data):
                data[at] ^= 1 << chance.randrange(8)
            elif kind == "digit" and at < len(data):
                data[at] = ord(chance.choice("0123456789+-.E,"))
            elif kind == "double":
                data[at:at] = data[at:until]
            elif kind == "another" and self.earlier:
                data[:] = chance.choice(self.earlier)
            elif kind == "word":
                data[:] = chance.choice(
                    (b"ON\n", b"OFF\n", b"EC\n", b"0\n", b"1\n", b"DC\n", b"NEG\n", b"INF\n", b"9.91E37\n")
                )
        return bytes(data)

    @property
    def is_another(self) -> bool:
        """Whether what was sent differs by more than white space from the answer that it was made of."""
        return self.sent.strip() != self.true.strip()

    def spells(self) -> float | None:
        """The number that a damaged measured value stands for."""
        text = self.sent.partition(b"\n")[0]
        text = re.sub(rb"^(probe|take)=", b"", text) if b"=" in text else text
        return float(re.sub(rb"\s", b"", text)) if NUMBER.fullmatch(text) else None


Check = Callable[[Bench, Strangers, Mutator], str]


def digitizer(bench: Bench, there: Strangers, mutator: Mutator) -> str:
    bench.digitizer.reset()
    used = bench.digitizer.configure(SETUP)
    wave = bench.digitizer.acquire()["rail"]
    device = there.by_name["digitizer"].device
    assert isinstance(device, Digitizer)
    wide = 8 if there.by_name["digitizer"].language == "scpi" else 16
    state, codes = device.state, device.codes(1, bits=wide)
    names = {
        "input1.range": "range1", "input1.offset": "offset1", "timebase.interval": "interval",
        "timebase.points": "points", "timebase.reference_position": "position", "timebase.before_trigger": "lead",
        "trigger.level": "level",
    }  # fmt: skip
    same = all(
        math.isclose(float(used[name]), float(state[key]), rel_tol=PRINTED)
        for name, key in names.items()
        if name in used
    )
    same &= used["trigger.slope"] == "rising"
    same &= used["input1.coupling"] == "dc"
    same &= math.isclose(wave.gain, float(state["range1"]) / 2**wide, rel_tol=PRINTED)
    same &= math.isclose(wave.offset, float(state["offset1"]), rel_tol=PRINTED)
    same &= math.isclose(wave.interval, float(state["interval"]), rel_tol=PRINTED)
    same &= math.isclose(wave.start, -1e-3, rel_tol=10 * PRINTED)  # a difference of two of them
    if not same:
        return "wrong"
    if np.array_equal(wave.codes, codes):
        return "right"
    spelled = mutator.sent[8:-1] if RECORD.search(mutator.message) else b""
    return "well-formed" if spelled == np.asarray(wave.codes).tobytes() else "wrong"


def supply(bench: Bench, there: Strangers, mutator: Mutator) -> str:
    bench.supply.reset()
    used = bench.supply.apply_setup(SupplySetup(12.0, 1.0, output=True))
    volts = bench.supply.measured_voltage()
    device = there.by_name["supply"].device
    if not (
        math.isclose(float(used["voltage"]), 12.0, rel_tol=PRINTED)
        and math.isclose(float(used["current_limit"]), 1.0, rel_tol=PRINTED)
        and device.is_on
    ):
        return "wrong"
    return measured(volts, 12.0, mutator)


def source(bench: Bench, there: Strangers, mutator: Mutator) -> str:
    bench.source.reset()
    used = bench.source.apply_setup(SourceSetup(function="square", frequency=500.0, amplitude=2.0, offset=1.0))
    state = there.by_name["source"].device.state
    same = used["function"] == "square" and used["output"] is True and there.by_name["source"].device.is_on
    return (
        "right"
        if same
        and all(
            math.isclose(float(used[name]), float(state[name]), rel_tol=PRINTED)
            for name in ("frequency", "amplitude", "offset")
        )
        else "wrong"
    )


def meter(bench: Bench, there: Strangers, mutator: Mutator) -> str:
    bench.meter.reset()
    return measured(bench.meter.measure(MeterSetup("dc_voltage")), 12.345, mutator)


def measured(value: float, truth: float, mutator: Mutator) -> str:
    if math.isclose(value, truth):
        return "right"
    is_spelled = MEASURED.search(mutator.message) is not None and value == mutator.spells()
    return "well-formed" if is_spelled else "wrong"


CHECKS: dict[str, Check] = {"digitizer": digitizer, "supply": supply, "source": source, "meter": meter}


def healthy_answers(folder: Path, role: str, language: str, mutator: Mutator) -> int:
    """How many answers an operation takes that nothing is damaged in; every one of them is waited for in patience."""
    folder.mkdir()
    found = []
    with (
        strangers(folder, language, faults={role: mutator}) as there,
        watched(),
        open_bench(load_bench(there.file), [role]) as bench,
    ):
        for _ in range(3):  # what is rounded is asked twice at first, and what comes late on a loaded machine again
            mutator.aim(0)
            assert CHECKS[role](bench, there, mutator) == "right"
            found.append(mutator.answers)
    return min(found)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("role", ROLES)
def test_a_damaged_answer_is_noticed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], role: str, language: str
) -> None:
    mutator = Mutator(random.Random(f"{role} {language}"))
    outcomes: Counter[str] = Counter()
    wrong: list[tuple[str, bytes]] = []
    answers = healthy_answers(tmp_path / "patient", role, language, mutator)
    with strangers(tmp_path, language, faults={role: mutator}, timeouts=QUICK) as there, watched(60 + IN_ALL / 10):
        device = there.by_name[role].device
        with open_bench(load_bench(there.file), [role]) as bench:
            others = 0  # damaged answers that are not what was to come, white space apart
            noticed = 0  # of them: an error, or more questions than before
            for _ in range(EACH):
                mutator.aim(mutator.chance.randint(1, answers))
                try:
                    outcome = CHECKS[role](bench, there, mutator)
                except WavewrightError as fault:
                    outcome = "error" if f"({role})" in str(fault) else f"an error that does not say who: {fault}"
                outcomes[outcome] += 1
                others += mutator.is_another
                noticed += mutator.is_another and (outcome == "error" or mutator.answers > answers)
                if outcome == "wrong":
                    wrong.append((mutator.message, mutator.sent))
                mutator.aim(0)
                with suppress(WavewrightError):
                    bench.safe_state()
                if bench[role].link.is_lost:
                    bench[role].link.clear()
                assert not device.is_on
    with capsys.disabled():
        counted = ", ".join(f"{count} {name}" for name, count in sorted(outcomes.items()))
        print(f"\n{outcomes.total()} damaged answers of a {role} that speaks {language}: {counted}")
        print(f"{noticed} of {others} that differ were noticed")
    assert wrong == []
    assert set(outcomes) <= {"right", "error", "well-formed"}
    assert noticed > others / 2
