"""Searches and error words are in the words of their bus, or they are refused with the column and the nearest word."""

from __future__ import annotations

import importlib
import inspect
import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.buses.bus_record import BusRecord
from wavewright.buses.catalogue import buses, layers, vocabulary
from wavewright.buses.decode import decode
from wavewright.buses.frame import Frame
from wavewright.buses.frame_metrics import measure_decoded, measure_frames
from wavewright.buses.frames import Frames
from wavewright.buses.search.check import check_search, lone_words
from wavewright.buses.search.grammar import DEEPEST, KEYWORDS, LONGEST
from wavewright.buses.search.search import Search, find_frames
from wavewright.buses.vocabulary import Vocabulary
from wavewright.errors import Misuse, Place
from wavewright.waveform import Waveform

OURS = "wavewright.buses."
SPEAKERS = [(name, "") for name, bus in buses().items() if bus.decode.__module__.startswith(OURS)]
SPEAKERS += [
    (on, name) for name, layer in layers().items() if layer.decode.__module__.startswith(OURS) for on in layer.on
]
HELPED_BY = {"can": ("can.flexible_bits",), "lin": ("uart.uart",)}


def words_of(bus: str, then: str = "") -> Vocabulary:
    found = vocabulary(bus, then)
    assert found is not None
    return found


def refusal(text: str, bus: str, then: str = "") -> Misuse:
    with pytest.raises(Misuse) as refused:  # noqa: PT012  # reading may refuse it, or the check
        search = Search.read(text)
        search.check(words_of(bus, then))
    return refused.value


@pytest.mark.parametrize("bus, then", SPEAKERS)
def test_every_bus_and_layer_states_its_words_and_tells_its_fields(bus: str, then: str) -> None:
    entry = layers()[then] if then else buses()[bus]
    assert entry.says is not None
    told = inspect.getdoc(entry.decode) or ""
    missing = [name for name in entry.says.fields if f"`{name}`" not in told]
    assert not missing, missing


@pytest.mark.parametrize("bus, then", SPEAKERS)
def test_no_error_is_stated_that_no_decoder_ever_gives(bus: str, then: str) -> None:
    # each word stands in the source once where it is stated, and at least once where it is given
    entry = layers()[then] if then else buses()[bus]
    modules = (entry.decode.__module__, *(f"{OURS}{each}" for each in HELPED_BY.get(bus, ()) if not then))
    source = "".join(inspect.getsource(importlib.import_module(module)) for module in modules)
    assert entry.says is not None
    rare = [word for word in entry.says.errors if source.count(f'"{word}"') < 2]
    assert not rare, rare


def test_an_error_word_that_nothing_explains_cannot_be_stated() -> None:
    with pytest.raises(Misuse, match="`vanished` is not explained"):
        Vocabulary(("frame",), errors=("vanished",))


CLOSED = [(bus, then, word) for bus, then in SPEAKERS for word in lone_words(words_of(bus, then))]


@given(
    chosen=st.sampled_from(CLOSED),
    place=st.integers(0, 40),
    letter=st.sampled_from(string.ascii_lowercase + "_"),
    change=st.sampled_from(["other", "more", "less", "swapped"]),
)
def test_a_word_with_one_letter_changed_is_refused_or_is_another_word(
    chosen: tuple[str, str, str], place: int, letter: str, change: str
) -> None:
    bus, then, word = chosen
    changed = one_letter_changed(word, place, letter, change)
    says = words_of(bus, then)
    for text in (changed, f"not {changed}", f"clean and not ({changed} or error)"):
        if not re.fullmatch("[a-z][a-z_]*", changed) or changed in KEYWORDS:
            continue
        if changed in lone_words(says):
            Search.read(text).check(says)
        else:
            fault = refusal(text, bus, then)
            assert isinstance(fault.where, Place)
            assert fault.where.column == text.index(changed) + 1
            assert f"`{changed}`" in fault.what


@given(
    chosen=st.sampled_from([(bus, then, word) for bus, then in SPEAKERS for word in words_of(bus, then).errors]),
    place=st.integers(0, 40),
    letter=st.sampled_from(string.ascii_lowercase + " "),
    change=st.sampled_from(["other", "more", "less", "swapped"]),
)
def test_an_error_word_with_one_letter_changed_is_refused_or_is_another(
    chosen: tuple[str, str, str], place: int, letter: str, change: str
) -> None:
    bus, then, word = chosen
    says, changed = words_of(bus, then), one_letter_changed(word, place, letter, change)
    for sign in ("=", "<>"):
        search = Search.read(f'error {sign} "{changed}"')
        if changed in says.errors:
            search.check(says)
        else:
            with pytest.raises(Misuse, match="there is no error word"):
                search.check(says)


def one_letter_changed(word: str, place: int, letter: str, change: str) -> str:
    at = place % len(word)
    if change == "swapped":
        return word[:at] + word[at : at + 2][::-1] + word[at + 2 :]
    rest = word[at + (change != "more") :]
    return word[:at] + ("" if change == "less" else letter) + rest


REFUSED = [
    # bus, layer, search, column of the fault, what is said
    ("uart", "", "eror", 1, "did you mean `error`?"),
    ("uart", "", "clean and not eror", 15, "did you mean `error`?"),
    ("uart", "modbus_rtu", "function = 3 and not eror", 22, "did you mean `error`?"),
    ("uart", "", 'error = "paritty"', 1, "did you mean `parity`?"),
    ("uart", "", 'error < "parity"', 1, '`error = "…"`'),
    ("uart", "", "nack", 1, "there is no word `nack`"),
    ("uart", "", "write", 1, "there is no word `write`"),
    ("uart", "modbus_rtu", "adress = 3", 1, "did you mean `address`?"),
    ("uart", "modbus_rtu", "clean and address", 11, "`address` alone is not a condition"),
    ("uart", "modbus_rtu", "address = 256", 1, "holds for no frame"),
    ("uart", "modbus_rtu", "address = -1", 1, "holds for no frame"),
    ("uart", "modbus_rtu", "address <> 256", 1, "holds for every frame"),
    ("uart", "modbus_rtu", "address > 255", 1, "holds for no frame"),
    ("uart", "modbus_rtu", "address < 0", 1, "holds for no frame"),
    ("uart", "modbus_rtu", "address = 1.5", 1, "a whole number"),
    ("uart", "modbus_rtu", "address between 70 and 60", 1, "write `address between 60 and 70`"),
    ("uart", "modbus_rtu", "address between 256 and 300", 1, "holds for no frame"),
    ("uart", "modbus_rtu", "data = 65", 1, "bytes in hex, in double quotes"),
    ("uart", "modbus_rtu", 'data = "6"', 1, "pairs of hex digits"),
    ("uart", "modbus_rtu", 'data between 1 and 2', 1, "has no range: it is bytes"),
    ("uart", "modbus_rtu", 'address holds "11"', 1, "does not contain bytes"),
    ("uart", "modbus_rtu", 'function_name = "read holding register"', 1, "did you mean `read holding registers`?"),
    ("uart", "modbus_rtu", 'kind = "mesage"', 1, "did you mean `message`?"),
    ("uart", "", "data = 65 ms", 1, "a number without a unit"),
    ("uart", "", "duration > 2", 1, "a time, such as `2 ms`"),
    ("uart", "", "duration < 0", 1, "holds for no frame"),
    ("uart", "", "duration between 2 ms and 1 ms", 1, "holds for no frame"),
    ("uart", "", "duration between 1 ms and 2", 27, "both ends with a unit"),
    ("uart", "", 'text = "OK"', 1, "there is no field `text`"),
    ("i2c", "", "acknowledged", 1, "`ack` or `nack`"),
    ("i2c", "", "read = 2", 1, "`read` or `not read`"),
    ("i2c", "", "clock_low > 5", 1, "a time"),
    ("i2c", "", "acknowledged = 1", 1, "is a list"),
    ("can", "", "idd = 5", 1, "there is no field `idd`"),
    ("can", "", "length = 16", 1, "0 .. 15"),
    ("spi", "", "data = 1", 1, "there is no field `data`"),
]  # fmt: skip


@pytest.mark.parametrize("bus, then, text, column, said", REFUSED, ids=[row[2] for row in REFUSED])
def test_a_search_that_can_mean_nothing_is_refused(bus: str, then: str, text: str, column: int, said: str) -> None:
    fault = refusal(text, bus, then)
    assert isinstance(fault.where, Place)
    assert fault.where.column == column
    assert said in str(fault)


TAKEN = [
    (
        "uart",
        "",
        'break and not parity and duration > 1 ms and data between 0x41 and 0x5A and holds "0D 0A" '
        'and text like_regex "O"',
    ),
    ("uart", "modbus_rtu", 'address = 17 and exception and not crc and gap and function_name = "diagnostics"'),
    (
        "uart",
        "nmea",
        'text like_regex "GGA" and talker = "GP" and values like_regex "N" and checksum = 0x47 and format',
    ),
    ("i2c", "", "address between 0x40 and 0x4F and ack and not write and partial and clock_low > 25 ms and repeated"),
    ("i2c", "smbus", "command = 6 and pec and nack"),
    ("i2c", "i2c_memory", "register = 0x10 and (read or select)"),
    ("can", "", "id = 0x123 and remote and fast and crc and stuff and start < 0"),
]


@pytest.mark.parametrize("bus, then, text", TAKEN, ids=[row[2] for row in TAKEN])
def test_what_a_bus_does_say_can_be_asked_for(bus: str, then: str, text: str) -> None:
    Search.read(text).check(words_of(bus, then))


@pytest.mark.parametrize(
    "text, message",
    [
        ("(" * 5000, "at most 1000"),
        ("(" * (DEEPEST + 1) + "read", "within each other"),
        ("not " * (DEEPEST + 1) + "read", "within each other"),
        ("a or " * 150 + "a", "more than 200"),
        ("value = " + "9" * 5000, "at most 1000"),
        ("value = " + "9" * 900, "a number of at most"),
        ("value = 1e999", "a number of at most"),
        ("value = 0x" + "F" * 500, "a number of at most"),
        ('holds ""', "pairs of hex digits"),
        ("x" * (LONGEST + 1), "at most 1000"),
    ],
    ids=range(10),
)
def test_a_search_has_the_limits_that_an_expression_has(text: str, message: str) -> None:
    with pytest.raises(Misuse) as refused:
        Search.read(text)
    assert message in str(refused.value)


@given(st.text(st.sampled_from('()<>=!~."0x9 anotrecid'), max_size=60))
def test_no_text_brings_a_search_down(text: str) -> None:
    try:
        search = Search.read(text)
        search.check(words_of("i2c"))
    except Misuse:
        return
    check_search(search.text, search.node, words_of("i2c"))


def tx(*, seconds: float = 1e-3) -> Waveform:
    return Waveform.from_volts([3.3, 0.0] * round(seconds * 5e4), interval=1e-5, name="tx")


def test_the_words_are_checked_whether_or_not_there_are_frames() -> None:
    for wave in (tx(), Waveform.from_volts([3.3] * 100, interval=1e-5)):
        frames = decode({"tx": wave}, "uart", baud=9600)
        with pytest.raises(Misuse, match="there is no word `eror`"):
            find_frames(frames, "not eror")
        with pytest.raises(Misuse, match="there is no error word `paritty`"):
            measure_frames(frames, "frame_errors", error="paritty")
        bus = BusRecord({"tx": wave}, "uart", baud=9600)
        for metric, options in [
            ("frame_errors", {"error": "paritty"}),
            ("frames", {"find": "not eror"}),
            ("response_time", {"request": "eror"}),
            ("longest_response_time", {"answer": "data between 3 and 2"}),
        ]:
            with pytest.raises(Misuse):
                measure_decoded(bus, metric, **options)


def test_some_of_the_frames_still_know_their_words() -> None:
    frames = decode({"tx": tx()}, "uart", baud=9600)
    with pytest.raises(Misuse, match="there is no word `eror`"):
        find_frames(frames[1:], "not eror")


def test_frames_of_nobody_refuse_a_word_that_is_nowhere() -> None:
    frames = Frames.of([Frame(0.0, 1.0, "lump", {"size": 3, "rare": "x"}), Frame(1.0, 2.0, "lump", {"size": 4})])
    assert Search.read("lump and not parity").where(frames).tolist() == [True, True]
    assert Search.read("rare").where(frames).tolist() == [True, False]
    with pytest.raises(Misuse, match="did you mean `lump`"):
        Search.read("not lumb").where(frames)
    with pytest.raises(Misuse, match="there is no error word `paritty` for any bus"):
        measure_frames(frames, "frame_errors", error="paritty")


@pytest.mark.parametrize("levels", [{"rx": "ttl"}, {"tx": "ttl", "xt": "ttl"}])
def test_levels_of_a_channel_that_is_not_there_are_refused(levels: dict[str, str]) -> None:
    with pytest.raises(Misuse, match=r"there is no channel `(rx|xt)` for `levels`"):
        decode({"tx": tx()}, "uart", levels=levels)


def test_levels_of_one_wire_of_a_pair_are_refused() -> None:
    with pytest.raises(Misuse, match="levels of the difference"):
        decode({"high": tx(), "low": tx()}, "can", levels={"high": "ttl"})


def test_an_unknown_option_of_a_bus_names_its_lines_too() -> None:
    with pytest.raises(Misuse, match="its lines are tx"):
        decode({"tx": tx()}, "uart", rx=1)


@pytest.mark.parametrize("then", ["modbus_rtu", "nmea"])
def test_a_ninth_data_bit_is_not_cut_off_in_silence(then: str) -> None:
    for wave in (tx(), Waveform.from_volts([3.3] * 100, interval=1e-5)):
        with pytest.raises(Misuse, match="9 data bits"):
            decode({"tx": wave}, "uart", baud=9600, data_bits=9, then=then)
