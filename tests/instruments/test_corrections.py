"""Corrections: read with all their faults at once, held against the instrument that answers, applied to scale and axis.

What a correction is: JCGM 200:2012, 2.53, a value added to compensate an estimated systematic effect. The formulas of
the scale are written out here by hand.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wavewright.errors import BenchFault, FileFault
from wavewright.instruments.bench import open_bench
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.corrections import BenchCorrections, InstrumentCorrections, read_identity
from wavewright.instruments.corrections_file import Correction, CorrectionsFile, load_corrections
from wavewright.instruments.setups import InputSetup
from wavewright.waveform import Waveform

ROOT = Path(__file__).parents[2]
FILE = Path(__file__).with_name("corrections.yaml")
OURS = "Wavewright,Simulated digitizer,WD-0204,1.0"
PROBES = {1: "PB-0107"}
SET = InputSetup(input=1, range=8.0, offset=2.0, attenuation=10.0)
ENTRY = (
    "  - {{quantity: {quantity}, instrument: digitizer, maker: Wavewright, model: Simulated digitizer, "
    "serial: WD-0204, {more}value: {value}, uncertainty: {uncertainty}, date: {date}, due: {due}}}\n"
)


def text_of(*entries: str) -> str:
    return "wavewright-corrections: 1\ncorrections:\n" + "".join(entries)


def gain_entry(**changed: str) -> str:
    said = {
        "quantity": "gain",
        "more": "input: 1, range: 8 V, probe: 10x, ",
        "value": "0.25 %",
        "uncertainty": "0.02 %",
        "date": "2026-03-02",
        "due": "2027-03-02",
    }
    return ENTRY.format(**{**said, **changed})


def read(text: str, tmp_path: Path) -> CorrectionsFile:
    path = tmp_path / "corrections.yaml"
    path.write_text(text, encoding="utf-8")
    return load_corrections(path)[0]


def of_bench(text: str, tmp_path: Path) -> BenchCorrections:
    return BenchCorrections("corrections.yaml", text, read(text, tmp_path))


def ours() -> InstrumentCorrections:
    file, text = load_corrections(FILE)
    return BenchCorrections(str(FILE), text, file).of_instrument("digitizer", OURS, probes=PROBES)


def test_scale_and_time_axis_are_corrected_and_codes_are_not_touched() -> None:
    told = Waveform(np.array([-100, 0, 100], np.int8), gain=0.03, offset=2.0, interval=1e-9, start=-1e-6, name="rail")
    applied = ours().applied(SET)
    corrected = applied.corrected(told)
    assert corrected.codes.tobytes() == told.codes.tobytes()
    # volts = (volts as told - 12 mV) * 1.0025
    assert corrected.values() == pytest.approx((told.values() - 0.012) * 1.0025, rel=1e-14)
    assert corrected.interval == pytest.approx(1e-9 * (1 + 3e-6), rel=1e-14)
    assert corrected.start == pytest.approx(-1e-6 * (1 + 3e-6) + 60e-12, rel=1e-14)


@pytest.mark.parametrize(
    "setting, left",
    [
        ({"input": 2}, ["timebase"]),
        ({"range": 4.0}, ["skew", "timebase"]),
        ({"offset": 0.0}, ["skew", "timebase"]),
        ({"attenuation": 1.0}, ["timebase"]),
        ({"impedance": 50.0}, ["timebase"]),
        ({"coupling": "ac"}, ["gain", "skew", "timebase"]),
        ({"bandwidth_limit": 20e6}, ["offset", "gain", "timebase"]),
        ({"range": 8.0004, "offset": 2.003}, ["offset", "gain", "skew", "timebase"]),
    ],
)
def test_a_correction_holds_only_where_it_was_made(setting: dict[str, Any], left: list[str]) -> None:
    applied = ours().applied(replace(SET, **setting))
    assert [one.quantity for one in applied] == left


def test_of_two_of_one_subject_the_later_one_holds_wherever_it_stands(tmp_path: Path) -> None:
    late, early = gain_entry(value="0.30 %", date="2026-05-01"), gain_entry(value="0.10 %", date="2025-01-01")
    for text in (text_of(early, late), text_of(late, early)):
        held = of_bench(text, tmp_path).of_instrument("digitizer", OURS)
        assert [float(one.value) for one in held.entries] == [pytest.approx(0.003)]


@pytest.mark.parametrize(
    "identity, told",
    [
        ("Wavewright,Simulated digitizer,WD-0999,1.0", "WD-0999"),
        ("Wavewright,Other digitizer,WD-0204,1.0", "Other digitizer"),
        ("Tenfold Works,Simulated digitizer,WD-0204,1.0", "Tenfold Works"),
        ("", "``"),
    ],
)
def test_a_correction_of_another_instrument_is_refused(identity: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(BenchFault, match="a correction of another instrument") as refused:
        of_bench(text_of(gain_entry()), tmp_path).of_instrument("digitizer", identity)
    assert told in refused.value.what
    assert str(refused.value.where).endswith("corrections.yaml:3:34")


def test_of_two_instruments_that_take_turns_each_has_its_own(tmp_path: Path) -> None:
    other = gain_entry(value="0.9 %").replace("WD-0204", "WD-0999")
    file = of_bench(text_of(gain_entry(), other), tmp_path)
    for serial, value in (("WD-0204", 0.0025), ("WD-0999", 0.009)):
        held = file.of_instrument("digitizer", OURS.replace("WD-0204", serial))
        assert [float(one.value) for one in held.entries] == [pytest.approx(value)]
    with pytest.raises(BenchFault, match="another instrument"):
        file.of_instrument("digitizer", OURS.replace("WD-0204", "WD-0777"))


def test_new_firmware_does_not_make_another_instrument(tmp_path: Path) -> None:
    held = of_bench(text_of(gain_entry()), tmp_path).of_instrument("digitizer", OURS.replace("1.0", "2.3"))
    assert len(held.entries) == 1


def test_a_simulated_instrument_of_another_seed_is_another_instrument(tmp_path: Path) -> None:
    file = of_bench(text_of(gain_entry(more="seed: 204, input: 1, range: 8 V, ")), tmp_path)
    assert file.of_instrument("digitizer", OURS, seed=204).entries
    with pytest.raises(BenchFault, match="seed 204, and `digitizer` is seed 7"):
        file.of_instrument("digitizer", OURS, seed=7)


@pytest.mark.parametrize("probes, told", [({1: "PB-0109"}, "`PB-0109`"), ({}, "one without")])
def test_an_input_with_another_probe_than_it_was_calibrated_with_is_refused(probes: dict[int, str], told: str) -> None:
    file, text = load_corrections(FILE)
    with pytest.raises(BenchFault, match="calibrated with the probe of serial number `PB-0107`") as refused:
        BenchCorrections(str(FILE), text, file).of_instrument("digitizer", OURS, probes=probes)
    assert told in refused.value.what


def test_an_input_that_was_calibrated_with_two_probes_takes_that_of_the_bench(tmp_path: Path) -> None:
    more = "input: 1, range: 8 V, probe: 10x, probe_serial: {}, "
    text = text_of(*(gain_entry(value=f"0.{n} %", more=more.format(f"PB-{n}")) for n in (1, 2)))
    held = of_bench(text, tmp_path).of_instrument("digitizer", OURS, probes={1: "PB-2"})
    applied = held.applied(replace(SET, offset=0.0))
    assert applied.gain is not None
    assert float(applied.gain.value) == pytest.approx(0.002)


def test_a_correction_of_a_day_that_is_to_come_is_refused(tmp_path: Path) -> None:
    file = of_bench(text_of(gain_entry()), tmp_path)
    with pytest.raises(BenchFault, match="dated 2026-03-02, and today is 2026-03-01"):
        file.of_instrument("digitizer", OURS, today=date(2026, 3, 1))
    assert file.of_instrument("digitizer", OURS, today=date(2026, 3, 2)).entries


@pytest.mark.parametrize("today, is_late", [(date(2027, 3, 2), False), (date(2027, 3, 3), True)])
def test_a_correction_holds_on_its_last_day_and_not_after_it(today: date, is_late: bool) -> None:
    assert [one.is_overdue(today) for one in ours().entries] == [is_late] * 4


@pytest.mark.parametrize(
    "entry, told",
    [
        (gain_entry(value="12"), "is 1200 %"),
        (gain_entry(value="-100 %"), "out of range"),  # the gain would be 0
        (gain_entry(value="900 %"), "out of range"),  # a probe at the wrong division
        (gain_entry(value="nan %"), "not a finite number"),
        (gain_entry(value=".nan"), "not a finite number"),
        (gain_entry(value="12 mV"), "`12 mV`"),
        (gain_entry(uncertainty="0 %"), "out of range"),
        (gain_entry(uncertainty="-0.1 %"), "out of range"),
        (gain_entry(quantity="offset", value="0.2 %"), "`0.2 %`"),
        (gain_entry(quantity="offset", value="12 mV", uncertainty="inf V"), "not a finite number"),
        (gain_entry(quantity="skew", more="input: 1, ", value="20 V", uncertainty="1 ps"), "`20 V`"),
        (gain_entry(quantity="timebase"), "unknown key `input`"),
        (gain_entry(quantity="linearity"), "`quantity` is `linearity`"),
        (gain_entry(more="input: 0, range: 8 V, "), "`0` is not a count"),
        (gain_entry(more="input: 1, "), "`range` is missing"),
        (gain_entry(more="input: 1, range: 0 V, "), "out of range"),
        (gain_entry(date="02.03.2026"), "is not a day"),
        (gain_entry(date="2026-02-30"), "is not in the calendar"),
        (gain_entry(due="2026-03-01"), "is before `date: 2026-03-02`"),
    ],
)
def test_what_is_wrong_with_a_correction_is_told_at_its_place(entry: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(FileFault) as refused:
        read(text_of(gain_entry(), entry), tmp_path)
    assert told in str(refused.value)
    assert {fault.where.line for fault in refused.value.faults or (refused.value,)} == {4}  # type: ignore[union-attr]


def test_all_faults_of_a_file_come_at_once(tmp_path: Path) -> None:
    with pytest.raises(FileFault) as refused:
        read(text_of(gain_entry(value="1"), gain_entry(due="never"), gain_entry(quantity="hue")), tmp_path)
    assert [fault.where.line for fault in refused.value.faults] == [3, 4, 5]  # type: ignore[union-attr]


def numbers(one: Correction) -> tuple[object, ...]:
    return (one.subject, float(one.value), float(one.uncertainty), one.date, one.due)


def test_a_file_that_was_cut_in_the_middle_is_refused_or_lacks_whole_entries(tmp_path: Path) -> None:
    text = FILE.read_text()
    whole = read(text, tmp_path).corrections
    for end in range(0, len(text), 23):
        try:
            some = read(text[:end], tmp_path).corrections
        except FileFault:
            continue
        # what is read is what stood there: a number cut in two has no unit, a day cut in two is none
        assert [numbers(one) for one in some] == [numbers(one) for one in whole[: len(some)]]


def test_an_identity_has_maker_model_and_serial_number() -> None:
    # IEEE 488.2-1992, 10.14 (from memory): four fields, the fourth is the firmware
    assert read_identity(" A , B, C ,1.0") == ("A", "B", "C")
    assert read_identity("A,B") == ("A", "B", "")


def bench_in(folder: Path, corrections: str | None, *, more: str = "") -> Path:
    """The simulated bench in another folder, with corrections beside it."""
    text = (ROOT / "sim/bench.yaml").read_text()
    for name in ("instruments.yaml", "vc204.yaml"):
        text = text.replace(name, (ROOT / "sim" / name).as_posix())
    (folder / "bench.yaml").write_text(text + more)
    if corrections is not None:
        (folder / "corrections.yaml").write_text(corrections)
    return folder / "bench.yaml"


def test_corrections_beside_the_bench_file_are_read_with_it(tmp_path: Path) -> None:
    bench = load_bench(bench_in(tmp_path, text_of(gain_entry())))
    assert bench.corrections is not None
    with open_bench(bench, ["digitizer"]) as opened:
        assert [one.quantity for one in opened.digitizer.corrections.entries] == ["gain"]
    assert load_bench(bench_in(tmp_path, "{", more=""), is_corrected=False).corrections is None


def test_without_the_file_there_are_no_corrections_unless_the_bench_names_it(tmp_path: Path) -> None:
    assert load_bench(bench_in(tmp_path, None)).corrections is None
    with pytest.raises(FileFault, match="there is no file"):
        load_bench(bench_in(tmp_path, None, more="corrections: station_2.yaml\n"))


def test_a_correction_of_what_the_bench_has_not_is_refused(tmp_path: Path) -> None:
    entry = gain_entry().replace("instrument: digitizer", "instrument: meter")
    with pytest.raises(FileFault, match="has no digitizer of that name"):
        load_bench(bench_in(tmp_path, text_of(entry)))


def test_nothing_is_set_on_an_instrument_whose_corrections_are_those_of_another(tmp_path: Path) -> None:
    from io import StringIO

    from wavewright.instruments.wire_log import WireLog

    entry = gain_entry().replace("WD-0204", "WD-0999")
    log = StringIO()
    with (
        pytest.raises(BenchFault, match="another instrument"),
        open_bench(load_bench(bench_in(tmp_path, text_of(entry))), ["digitizer"], wire_log=WireLog(log)),
    ):
        pass
    sent = [line for line in log.getvalue().splitlines() if "digitizer" in line and "SENS" in line.upper()]
    assert sent == []


@pytest.mark.parametrize(
    "line, told",
    [
        ("  1: {attenuation: 10, calibrated: 2026-03-02, due: 2026-03-01}", "is before `calibrated: 2026-03-02`"),
        ("  1: {attenuation: 10, due: next year}", "is not a day"),
    ],
)
def test_days_of_a_bench_file_are_checked(line: str, told: str, tmp_path: Path) -> None:
    text = (ROOT / "sim/bench.yaml").read_text()
    old = next(one for one in text.splitlines() if one.startswith("  1: "))
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace(old, line))
    with pytest.raises(FileFault, match=told):
        load_bench(path)
