"""The digitizer: every form of samples and of scale, every way to learn that a record is complete.

The bytes are packed here with `struct`, the volts and seconds follow from closed forms: value = offset + gain · code.
"""

from __future__ import annotations

import dataclasses
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
import pyvisa

from tests.instruments.conftest import MARKED
from tests.instruments.plain_visa import Device, library_of
from wavewright.analysis.parameters import Slope
from wavewright.errors import BadAnswer, Complaint, Misuse, NotMeasurable, NoTrigger, SetOtherwise, WavewrightError
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.connecting import open_link
from wavewright.instruments.digitizer import Digitizer
from wavewright.instruments.digitizer_setup import (
    digitizer_messages,
    shot_messages,
)
from wavewright.instruments.profile import load_profile
from wavewright.instruments.record_grammar import SampleFormat, SampleKind
from wavewright.instruments.setups import DigitizerSetup, InputSetup, TimebaseSetup, TriggerSetup

CODES = [0, 1, -1, 100, -128, 127, 10, 13]  # NL and CR among them
RANGE, OFFSET, INTERVAL, BEFORE = 8.0, 2.0, 1e-6, 3e-6
SETUP = DigitizerSetup(
    {"rail": InputSetup(1, RANGE, OFFSET)},
    TimebaseSetup(len(CODES), INTERVAL, BEFORE),
    TriggerSetup("normal", "rail", Slope.RISING, level=1.65),
)
PROFILE = """
wavewright-profile: 1
name: plain
role: digitizer
extends: scpi-basics
inputs: 2
settings:
  input.range: {set: "RANGe{input} {value}", ask: "RANGe{input}?"}
  input.offset: {set: "OFFSet{input} {value}", ask: "OFFSet{input}?"}
  timebase.interval: {set: "INTerval {value}", ask: "INTerval?"}
  timebase.points: {set: "POINts {value}", ask: "POINts?"}
  timebase.before_trigger: {set: "BEFore {value}", ask: "BEFore?"}
  trigger.level: {set: "LEVel {value}", ask: "LEVel?"}
"""
ACQUIRE = 'acquire: {arm: GO, finished: {ask: "*OPC?"}, force: FORCe, stop: HALT}\n'
SETTINGS = {
    "RANGe1?": b"8.0\n", "OFFSet1?": b"2.0\n", "RANGe2?": b"8.0\n", "OFFSet2?": b"2.0\n", "INTerval?": b"1E-6\n",
    "POINts?": b"8\n", "BEFore?": b"3E-6\n", "LEVel?": b"1.65\n", "*OPC?": b"1\n",
}  # fmt: skip

Make = Callable[..., Digitizer]


@pytest.fixture
def digitizer(tmp_path: Path) -> Make:
    """A digitizer over a plain device: the profile's last lines, and what is answered beyond SETTINGS."""

    def make(rest: str, answers: dict[str, Any], **options: Any) -> Digitizer:
        (tmp_path / "plain.yaml").write_text(PROFILE + rest, encoding="utf-8")
        device = Device({**SETTINGS, **answers})
        manager = pyvisa.ResourceManager(library_of({MARKED: device}))
        profile = load_profile("plain.yaml", folder=tmp_path)
        made = Digitizer(open_link(manager, MARKED, name="digitizer", manners=profile.manners), profile, **options)
        made.device = device  # type: ignore[attr-defined]
        return made

    return make


def block(data: bytes) -> bytes:
    return b"#%d%d" % (len(str(len(data))), len(data)) + data + b"\n"


def waveform(form: str, *, scale: str = "{told_in: settings}", rest: str = "") -> str:
    return f'{ACQUIRE}waveform: {{fetch: "BRING{{input}}?", format: x, formats: {{x: {form}}}, scale: {scale}{rest}}}\n'


# IEEE 488.2-1992, 8.7.9 and SCPI-99 volume 2, FORMat (from memory, not verified): two's complement, either byte order
COUNTED = [code + 128 for code in CODES]  # from the lower end of the range
LETTERS = {"int8": "b", "int16": "h", "int32": "i", "float32": "f", "float64": "d"}
SIGNED = [
    (f"{{samples: {kind}, byte_order: {order}}}", struct.pack(f"{sign}8{letter}", *CODES), 256)
    for kind, letter in LETTERS.items()
    for order, sign in (("big", ">"), ("little", "<"))
]
UNSIGNED = [
    (f"{{samples: u{kind}, byte_order: {order}}}", struct.pack(f"{sign}8{letter.upper()}", *COUNTED), 256)
    for kind, letter in LETTERS.items() if kind.startswith("int")
    for order, sign in (("big", ">"), ("little", "<"))
]  # fmt: skip
FORMS = [*SIGNED, *UNSIGNED, ("{samples: ascii}", b",".join(b"%d" % code for code in CODES), 256)]


@pytest.mark.parametrize("form, data, span", FORMS, ids=[form[0] for form in FORMS])
@pytest.mark.parametrize("indefinite", [False, True], ids=["definite", "indefinite"])
def test_samples_in_every_form_are_the_same_volts(
    digitizer: Make, form: str, data: bytes, span: int, indefinite: bool
) -> None:
    # given an unsigned form counts from the lower end: code 128 is the middle of the range
    reference = 128 if "uint" in form else 0
    scale = f"{{told_in: settings, reference: {{plus: {reference}}}}}"
    made = digitizer(waveform(form, scale=scale), {"BRING1?": b"#0" + data + b"\n" if indefinite else block(data)})
    made.configure(SETUP)
    # when a record is taken
    wave = made.acquire()["rail"]
    # then it is offset + range / 256 · code
    assert wave.values() == pytest.approx([OFFSET + RANGE / span * code for code in CODES])
    assert (wave.interval, wave.start) == (INTERVAL, -BEFORE)


def test_a_sample_has_the_size_of_its_type() -> None:
    for kind in get_args(SampleKind):
        wanted = np.dtype("float64" if kind == "ascii" else kind).itemsize
        assert SampleFormat(samples=kind).size == wanted, kind


def test_integer_codes_are_a_view_on_what_was_received(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int16}"), {"BRING1?": block(struct.pack(">8h", *CODES))})
    made.configure(SETUP)
    codes = made.acquire()["rail"].codes
    assert codes.dtype == np.dtype(">i2")
    assert codes.base is not None


SCALES = {
    "single queries": (
        "{told_in: queries, gain: {ask: 'GAIN{input}?'}, offset: {ask: 'ZERO?'}, "
        "interval: {ask: 'STEP?'}, start: {ask: 'BEGin?'}}",
        {"GAIN1?": b"0.5\n", "ZERO?": b"1.0\n", "STEP?": b"2E-9\n", "BEGin?": b"-1E-8\n"},
        b"",
    ),
    "a preamble": (
        "{told_in: preamble, ask: 'HEAD{input}?', gain: {field: 2}, offset: {field: 3}, "
        "interval: {field: 0}, start: {field: 1}}",
        {"HEAD1?": b'2E-9,-1E-8,0.5,1.0,"a, b"\n'},
        b"",
    ),
    "a preamble of grid lines, from a code on": (  # 25 codes a line, 12.5 V a line; code 6 is 4 V
        "{told_in: preamble, ask: 'HEAD{input}?', gain: {field: 0, times: 0.04}, offset: {field: 1}, "
        "reference: {field: 2}, interval: {field: 3}, start: {plus: -1E-8}}",
        {"HEAD1?": b"12.5,4.0,6,2E-9\n"},
        b"",
    ),
    "the head of the block": (
        "{told_in: block, head: 24, gain: {at: 0, as: float32}, offset: {at: 4, as: float32}, "
        "interval: {at: 8, as: float64}, start: {at: 16, as: float64}}",
        {},
        struct.pack(">ffdd", 0.5, 1.0, 2e-9, -1e-8),
    ),
    "the head of the block, the least significant byte first": (  # gain in uV, interval in ns, as integers
        "{told_in: block, head: 18, gain: {at: 2, as: int32, byte_order: little, times: 1E-6}, "
        "offset: {at: 6, as: float32, byte_order: little}, interval: {at: 0, as: uint16, byte_order: little, "
        "times: 1E-9}, start: {at: 10, as: float64, byte_order: little}}",
        {},
        struct.pack("<Hifd", 2, 500_000, 1.0, -1e-8),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SCALES, ids=str)
def test_the_scale_is_taken_from_where_it_is_told(digitizer: Make, case: str) -> None:
    scale, answers, head = SCALES[case]
    data = head + struct.pack("8b", *CODES)
    made = digitizer(waveform("{samples: int8}", scale=scale), {"BRING1?": block(data), **answers})
    made.configure(SETUP)
    wave = made.acquire()["rail"]
    assert wave.values() == pytest.approx([1.0 + 0.5 * code for code in CODES])
    assert wave.interval == pytest.approx(2e-9)
    assert wave.start == pytest.approx(-1e-8)


def test_a_waveform_in_interchange_format_brings_its_own_axes(digitizer: Make) -> None:
    # SCPI-99 volume 3 (structure and keywords from memory, not verified): value = SCALe · code + OFFSet
    answer = (
        b"(DIF (VERSion 1999.0) ENCode (FORMat INT16)"
        b' DIMension=T (TYPE IMPLicit SCALe 1E-06 OFFSet -2E-06 SIZE 8 UNITs "S")'
        b' DIMension=C1 (TYPE EXPLicit SCALe 0.001 OFFSet 1 SIZE 8 UNITs "V") ORDer (BY DIMension)'
        b" DATA (CURVe (VALues #216" + struct.pack(">8h", *CODES) + b")))\n"
    )
    made = digitizer(waveform("{samples: int16}", scale="{told_in: dif}"), {"BRING1?": answer})
    made.configure(SETUP)
    wave = made.acquire()["rail"]
    assert wave.values() == pytest.approx([1 + 0.001 * code for code in CODES])
    assert (wave.interval, wave.start, wave.name) == (1e-6, -2e-6, "rail")


def test_records_come_in_slices_and_are_one(digitizer: Make) -> None:
    rest = ACQUIRE + (
        'waveform: {fetch: ["PICK {input}", "PART? {first},{last},{count}"], format: x, formats: {x: {samples: int8}}, '
        "slices: {points: 3, first: 1}}\n"
    )
    parts = {"PART? 1,3,3": CODES[:3], "PART? 4,6,3": CODES[3:6], "PART? 7,8,2": CODES[6:]}
    answers = {query: block(struct.pack(f"{len(codes)}b", *codes)) for query, codes in parts.items()}
    made = digitizer(rest, answers)
    made.configure(SETUP)
    assert made.acquire()["rail"].codes.tolist() == CODES


def test_each_slice_has_the_head_of_the_block_and_one_is_enough(digitizer: Make) -> None:
    rest = ACQUIRE + (
        'waveform: {fetch: "PART? {input},{first},{count}", format: x, formats: {x: {samples: int8}}, '
        "slices: {points: 3}, scale: {told_in: block, head: 4, gain: {at: 0}}}\n"
    )
    parts = {"PART? 1,0,3": CODES[:3], "PART? 1,3,3": CODES[3:6], "PART? 1,6,2": CODES[6:]}
    answers = {query: block(struct.pack(f">f{len(codes)}b", 0.5, *codes)) for query, codes in parts.items()}
    made = digitizer(rest, answers)
    made.configure(SETUP)
    wave = made.acquire()["rail"]
    assert wave.codes.tolist() == CODES
    assert wave.gain == 0.5


def test_bytes_without_a_header_are_counted(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}", rest=", block: none"), {"BRING1?": struct.pack("8b", *CODES) + b"\n"})
    made.configure(SETUP)
    assert made.acquire()["rail"].codes.tolist() == CODES


def test_what_is_no_number_is_no_sample(digitizer: Make) -> None:
    # SCPI-99 volume 1, 7.2.1 (from memory, not verified): 9.91E37 no value, ±9.9E37 overload
    made = digitizer(waveform("{samples: ascii}"), {"BRING1?": b"#01,9.91E37,2,9.9E+37,-9.9E37,3,4,5\n"})
    made.configure(SETUP)
    assert np.isnan(made.acquire()["rail"].codes).tolist() == [False, True, False, True, True, False, False, False]


def test_the_code_for_no_sample_becomes_nan(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}", rest=", invalid: -128"), {"BRING1?": block(struct.pack("8b", *CODES))})
    made.configure(SETUP)
    wave = made.acquire()["rail"]
    assert np.flatnonzero(np.isnan(wave.codes)).tolist() == [CODES.index(-128)]


def test_the_probe_is_arithmetic_of_ours(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}"), {"BRING1?": block(struct.pack("8b", *CODES))})
    probed = DigitizerSetup(
        {"rail": InputSetup(1, 10 * RANGE, 10 * OFFSET, attenuation=10)},
        SETUP.timebase,
        TriggerSetup("normal", "rail", level=16.5),
    )
    used = made.configure(probed)
    sent = made.device.sent  # type: ignore[attr-defined]
    assert "RANGe1 8.0E+00" in sent
    assert "LEVel 1.65E+00" in sent
    assert (used["input1.range"], used["input1.offset"], used["trigger.level"]) == (80.0, 20.0, 16.5)
    assert made.acquire()["rail"].values() == pytest.approx([10 * (OFFSET + RANGE / 256 * code) for code in CODES])


DAMAGED = {
    "fewer samples than it said": (block(b"\0" * 7), "7 samples came for `rail`"),
    "more samples than it said": (block(b"\0" * 9), "9 samples came for `rail`"),
    "half a block": (b"#18\0\0\0\0", "cut short|no NL"),
    "no block": (b"-230\n", "something else than `#`"),
}


@pytest.mark.parametrize("case", DAMAGED, ids=str)
def test_a_damaged_record_is_no_capture_and_the_next_one_is(digitizer: Make, case: str) -> None:
    answer, words = DAMAGED[case]
    made = digitizer(waveform("{samples: int8}"), {"BRING1?": [answer, block(struct.pack("8b", *CODES))]})
    made.configure(SETUP)
    with pytest.raises(BadAnswer, match=words) as caught:
        made.acquire()
    assert "digitizer" in str(caught.value)
    assert made.acquire()["rail"].codes.tolist() == CODES


@pytest.mark.parametrize("scale", ["gain: {ask: 'GAIN?'}", "interval: {ask: 'GAIN?'}"])
@pytest.mark.parametrize("answer", [b"0\n", b"9.91E37\n", b"lots\n"], ids=["zero", "no value", "a word"])
def test_a_scale_that_makes_no_sense_is_refused(digitizer: Make, scale: str, answer: bytes) -> None:
    answers = {"BRING1?": block(struct.pack("8b", *CODES)), "GAIN?": answer}
    made = digitizer(waveform("{samples: int8}", scale=f"{{told_in: queries, {scale}}}"), answers)
    made.configure(SETUP)
    with pytest.raises(BadAnswer, match=r"the scale|not a number"):
        made.acquire()


def polled(poll: str) -> str:
    form = 'waveform: {fetch: "BRING{input}?", format: x, formats: {x: {samples: int8}}}\n'
    return f"acquire: {{arm: GO, finished: {{poll: {poll}}}, force: FORCe, stop: HALT}}\n{form}"


class Clock:
    """A clock that only pauses move."""

    def __init__(self) -> None:
        self.now, self.pauses = 0.0, []  # type: ignore[var-annotated]

    def elapsed(self) -> float:
        return self.now

    def pause(self, duration: float) -> None:
        self.pauses.append(duration)
        self.now += duration


@pytest.mark.parametrize(
    "poll, query, answers",
    [
        ('{ask: "STATe?", pattern: "^READY"}', "STATe?", [b"ARMED\n", b"BUSY\n", b"READY, 8\n"]),
        # waiting for a trigger is bit 5 of OPERation, measuring bit 4 (SCPI-99 volume 2, 20.1; second-hand)
        (
            '{ask: "STATus:OPERation:CONDition?", mask: 56}',
            "STATus:OPERation:CONDition?",
            [b"32\n", b"#H18\n", b"+4\n"],
        ),
        ('{before: "*OPC", ask: "*ESR?", mask: 1, equals: 1}', "*ESR?", [b"0\n", b"0\n", b"4\n", b"1\n", b"0\n"]),
    ],
    ids=["a word", "a condition register", "the event register after *OPC"],
)
def test_a_query_is_asked_until_it_is_over(digitizer: Make, poll: str, query: str, answers: list[bytes]) -> None:
    clock = Clock()
    made = digitizer(
        polled(poll),
        {query: list(answers), "BRING1?": block(struct.pack("8b", *CODES))},
        elapsed=clock.elapsed,
        pause=clock.pause,
    )
    made.configure(SETUP)
    assert made.acquire()["rail"].codes.tolist() == CODES
    asked_beside = 2 if query == "*ESR?" else 0  # of errors, at the set-up and after the record
    assert made.device.sent.count(query) == 3 + asked_beside  # type: ignore[attr-defined]
    assert clock.pauses == [1e-3, 2e-3]


def test_pauses_between_queries_grow_to_the_interval_and_no_further(digitizer: Make) -> None:
    clock = Clock()
    made = digitizer(
        polled('{ask: "STATe?", pattern: "^READY", interval: 5 ms}'),
        {"STATe?": [*[b"BUSY\n"] * 6, b"READY\n"], "BRING1?": block(struct.pack("8b", *CODES))},
        elapsed=clock.elapsed,
        pause=clock.pause,
    )
    made.configure(SETUP)
    made.acquire()
    assert clock.pauses == pytest.approx([1e-3, 2e-3, 4e-3, 5e-3, 5e-3, 5e-3])


REQUEST = """
extends: scpi-digitizer
acquire:
  arm: ["INITiate", "*OPC"]
  finished: {service_request: {before: "*ESE 1", request: "*SRE 32", after: ["*SRE 0", "*ESE 0"], mask: 32}}
"""


def test_a_service_request_tells_that_a_record_is_complete(tmp_path: Path) -> None:
    # *OPC sets bit 0 of the event register, *ESE 1 makes it bit 5 of the status byte, *SRE 32 a request
    # (IEEE 488.2-1992, 10.18, 11.2; clauses second-hand)
    (tmp_path / "request.yaml").write_text(f"wavewright-profile: 1\nname: request\n{REQUEST}", encoding="utf-8")
    file = load_bench(Path(__file__).parents[2] / "sim" / "bench.yaml")
    profile = load_profile("request.yaml", folder=tmp_path)
    file = dataclasses.replace(file, profiles={**file.profiles, "digitizer": profile})
    with open_bench(file, ["digitizer"]) as bench:
        bench.reset()
        bench.digitizer.configure(dataclasses.replace(SETUP, trigger=TriggerSetup()))
        assert [len(bench.digitizer.acquire()["rail"]) for _ in range(3)] == [len(CODES)] * 3
        assert bench.digitizer.link.ask("*SRE?") == "0"


def test_without_events_the_status_byte_is_polled_and_no_request_enabled(digitizer: Make) -> None:
    rest = (
        "acquire: {arm: [GO, '*OPC'], stop: HALT, finished: {service_request: {before: '*ESE 1', request: '*SRE 32', "
        "after: '*ESE 0', mask: 32}}}\n"
        'waveform: {fetch: "BRING{input}?", format: x, formats: {x: {samples: int8}}}\n'
    )
    clock = Clock()
    answers = {"*STB?": [b"0\n", b"16\n", b"32\n"], "BRING1?": block(struct.pack("8b", *CODES))}
    made = digitizer(rest, answers, elapsed=clock.elapsed, pause=clock.pause)
    made.configure(SETUP)
    assert made.acquire()["rail"].codes.tolist() == CODES
    sent = made.device.sent  # type: ignore[attr-defined]
    assert "*SRE 32" not in sent
    assert [message for message in sent if message.startswith("*ESE")] == ["*ESE 1", "*ESE 0"]


def test_the_instruments_own_value_is_asked_for_comparison(digitizer: Make) -> None:
    own = (
        "own_values:\n"
        '  duty_factor: {ask: "FETCh:VOLTage:DCYCle? {input}", convert: {times: 100}}\n'
        '  frequency: {before: "PICK {input}", ask: "HOW MANY?", pattern: "about (?P<value>\\\\S+)"}\n'
    )
    answers = {"FETCh:VOLTage:DCYCle? 1": [b"40.0\n", b"9.91E37\n"], "HOW MANY?": b"it is about 1.25E3 or so\n"}
    made = digitizer(waveform("{samples: int8}") + own, answers)
    made.configure(SETUP)
    assert made.own_value("duty_factor", "rail") == pytest.approx(0.4)
    assert made.own_value("frequency", "rail") == 1250.0
    with pytest.raises(NotMeasurable, match="has no value of `duty_factor`"):
        made.own_value("duty_factor", "rail")
    with pytest.raises(Misuse, match="has no query for `rise_time`"):
        made.own_value("rise_time", "rail")


def test_a_trigger_that_never_comes_stops_the_instrument(digitizer: Make) -> None:
    clock = Clock()
    made = digitizer(
        polled('{ask: "STATe?", pattern: "^READY"}'), {"STATe?": b"ARMED\n"}, elapsed=clock.elapsed, pause=clock.pause
    )
    made.configure(SETUP)
    with pytest.raises(NoTrigger, match="no trigger within 2 s") as caught:
        made.acquire(timeout=2.0)
    assert "mode: auto" in str(caught.value)
    assert made.device.sent[-1] == "HALT"  # type: ignore[attr-defined]


def test_a_wait_that_is_not_answered_is_no_trigger_and_the_link_is_in_step(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}"), {"*OPC?": None})
    made.configure(SETUP)
    with pytest.raises(NoTrigger):
        made.acquire(timeout=0.1)
    assert made.device.sent[-1] == "HALT"  # type: ignore[attr-defined]
    assert made.link.ask("*OPT?") == "0"


def test_an_automatic_trigger_is_forced_and_the_capture_says_so(digitizer: Make) -> None:
    answers = {"*OPC?": [None, b"1\n"], "BRING1?": block(struct.pack("8b", *CODES))}
    made = digitizer(waveform("{samples: int8}"), answers)
    made.configure(DigitizerSetup(SETUP.inputs, SETUP.timebase, TriggerSetup("auto", "rail", level=1.65)))
    capture = made.acquire(timeout=0.1)
    assert not capture.triggered
    assert "FORCe" in made.device.sent  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "force, what",
    [("FORCe", "no record after a forced trigger"), ("[]", "its profile says nothing of forcing one")],
)
def test_a_record_that_never_ends_in_mode_auto_does_not_ask_for_mode_auto(
    digitizer: Make, force: str, what: str
) -> None:
    clock = Clock()
    profile = polled('{ask: "STATe?", pattern: "^READY"}')
    assert "force: FORCe" in profile
    made = digitizer(
        profile.replace("force: FORCe", f"force: {force}"),
        {"STATe?": b"ARMED\n"},
        elapsed=clock.elapsed,
        pause=clock.pause,
    )
    made.configure(DigitizerSetup(SETUP.inputs, SETUP.timebase, TriggerSetup("auto", "rail", level=1.65)))
    with pytest.raises(NoTrigger, match=what) as caught:
        made.acquire(timeout=2.0)
    assert "or use" not in str(caught.value)
    assert "how the end of a record is found" in str(caught.value)
    assert made.device.sent[-1] == "HALT"  # type: ignore[attr-defined]


@pytest.mark.parametrize("level, triggered", [(1.98, True), (50.0, False)])
def test_a_record_that_does_not_cross_the_level_was_not_triggered(
    digitizer: Make, level: float, triggered: bool
) -> None:
    made = digitizer(waveform("{samples: int8}"), {"BRING1?": block(struct.pack("8b", *CODES))})
    made.configure(DigitizerSetup(SETUP.inputs, SETUP.timebase, TriggerSetup("auto", "rail", level=level)))
    assert made.acquire().triggered is triggered


@pytest.mark.parametrize("query", ["RANGe1?", "POINts?", "INTerval?"])
def test_a_setting_without_a_value_is_no_setting(digitizer: Make, query: str) -> None:
    made = digitizer(waveform("{samples: int8}"), {query: b"9.91E37\n"})
    with pytest.raises(BadAnswer, match="is nan, according to its answer"):
        made.configure(SETUP)


def test_an_instrument_that_was_switched_off_and_on_gives_no_capture(digitizer: Make) -> None:
    # power on is bit 7 of the event register (IEEE 488.2-1992, 11.5.1; second-hand)
    answers = {"*ESR?": [b"128\n", b"0\n", b"0\n", b"128\n"], "BRING1?": block(struct.pack("8b", *CODES))}
    made = digitizer(waveform("{samples: int8}"), answers)
    made.reset()
    made.configure(SETUP)
    assert made.acquire()["rail"].codes.tolist() == CODES
    with pytest.raises(Complaint, match="switched off and on: its settings are lost"):
        made.acquire()


def test_a_restart_is_not_forgotten_when_the_link_gets_back_into_step(digitizer: Make) -> None:
    answers = {"*ESR?": [b"0\n", b"0\n", b"128\n", b"0\n"], "BRING1?": [None, block(struct.pack("8b", *CODES))]}
    made = digitizer(waveform("{samples: int8}"), answers)
    made.reset()
    made.configure(SETUP)
    made.arm()
    with pytest.raises(WavewrightError, match="no answer"):
        made.fetch()
    with pytest.raises(Complaint, match="its settings are lost"):
        made.acquire()


def test_ctrl_c_while_waiting_stops_the_instrument(digitizer: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(timeout: float) -> None:
        raise KeyboardInterrupt

    made = digitizer(waveform("{samples: int8}"), {})
    made.configure(SETUP)
    made.arm()
    monkeypatch.setattr(made._acquisition, "wait", stop)
    with pytest.raises(KeyboardInterrupt):
        made.complete()
    assert made.device.sent[-1] == "HALT"  # type: ignore[attr-defined]


def test_a_complaint_while_setting_leaves_it_unset(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}"), {"SYSTem:ERRor?": [b'-222,"Data out of range"\n', b"0\n"]})
    with pytest.raises(Complaint, match=r"setting inputs, time base and trigger.*-222"):
        made.configure(SETUP)
    with pytest.raises(Misuse, match="not set up"):
        made.arm()


def test_the_plan_is_what_is_sent(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}"), {"BRING1?": block(struct.pack("8b", *CODES))})
    made.reset()
    made.configure(SETUP)
    made.acquire()
    sent = [message for message in made.device.sent if not message.startswith("SYST")]  # type: ignore[attr-defined]
    asked_back = [message for message in sent if message.endswith("?") and message not in ("*OPC?", "BRING1?")]
    planned = (
        *Digitizer.known_state_messages(made.profile),
        *digitizer_messages(made.profile, SETUP),
        *shot_messages(made.profile, SETUP),
    )
    assert [message for message in sent if message not in asked_back] == list(planned)


def test_a_trigger_on_a_channel_that_is_not_there_is_a_misuse(digitizer: Make) -> None:
    made = digitizer(waveform("{samples: int8}"), {})
    with pytest.raises(WavewrightError, match="trigger on `reset`"):
        made.configure(DigitizerSetup(SETUP.inputs, SETUP.timebase, TriggerSetup("normal", "reset")))


def test_another_scale_than_that_of_the_first_record_is_an_error(digitizer: Make) -> None:
    scale = "{told_in: preamble, ask: 'HEAD{input}?', gain: {field: 0}, offset: {field: 1}}"
    heads = [b"0.03125,2\n", b"0.03125,2\n", b"0.0625,2\n"]  # someone has turned the knob of the range
    made = digitizer(waveform("{samples: int8}", scale=scale), {"HEAD1?": heads, "BRING1?": block(bytes(8))})
    made.configure(SETUP)
    for _ in range(2):
        made.acquire()
    with pytest.raises(SetOtherwise, match=r"31.25 mV per code.* came with the first record, and 62.5 mV per code"):
        made.acquire()


class Swapped(Device):
    """Answers the second of several queries before the first."""

    def __call__(self, message: bytes) -> bytes | None:
        answer = super().__call__(message)
        if answer is None or b"?;" not in message:
            return answer
        first, second, *rest = answer.rstrip(b"\n").split(b";")
        return b";".join([second, first, *rest]) + b"\n"


def test_a_scale_is_asked_in_one_message_only_of_who_answers_in_order(tmp_path: Path) -> None:
    scale = "{told_in: queries, gain: {ask: 'GAIN{input}?'}, offset: {ask: 'ZERO{input}?'}}"
    text = PROFILE + "quirks: {compound_queries: true}\n" + waveform("{samples: int8}", scale=scale)
    (tmp_path / "plain.yaml").write_text(text, encoding="utf-8")
    profile, gains = load_profile("plain.yaml", folder=tmp_path), {}
    for kind in (Device, Swapped):
        device = kind({**SETTINGS, "GAIN1?": b"0.03125\n", "ZERO1?": b"2\n", "BRING1?": block(bytes(8))})
        manager = pyvisa.ResourceManager(library_of({MARKED: device}))
        made = Digitizer(open_link(manager, MARKED, name="digitizer", manners=profile.manners), profile)
        made.configure(SETUP)
        wave = made.acquire()["rail"]
        gains[kind] = (wave.gain, wave.offset, made.link.keeps_order)
    assert gains == {Device: (0.03125, 2.0, True), Swapped: (0.03125, 2.0, False)}
