"""What a run keeps of calibrations: which corrections were applied to its readings, and what was overdue."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date

from wavewright.analysis.doubts import Doubt
from wavewright.instruments.bench import Bench
from wavewright.instruments.bench_file import BenchFile, CalibrationStatement
from wavewright.instruments.corrections_file import SkewCorrection
from wavewright.instruments.vocabulary import Role
from wavewright.running.input_accuracy import UNCERTAINTY, WITHIN
from wavewright.running.input_facts import Fact, doubt_facts
from wavewright.running.outcome import CalibrationNote

LEFT = 2.0  # standard uncertainties: what a corrected skew may still be, with about 95 % (JCGM 100:2008, G.2.1)


def calibration_notes(
    bench: BenchFile, today: date, *, names: Collection[str] | None = None, inputs: Collection[int] | None = None
) -> dict[str, CalibrationNote]:
    """What a bench file says about calibrations, by name of the instrument, and `probe 1` for the probe in input 1.

    Parameters
    ----------
    names, inputs : the instruments, and the inputs whose probes, are meant; all if None.
    """
    found = {name: _note(one, today) for name, one in bench.instruments.items() if names is None or name in names}
    for number, probe in bench.probes.items():
        if inputs is None or number in inputs:
            found[f"probe {number}"] = _note(probe, today, serial=probe.serial or "")
    return {name: note for name, note in found.items() if note.words or note.serial}


def overdue_on(bench: BenchFile, today: date) -> list[str]:
    """What of a bench is overdue, each in a sentence: instruments, probes, and corrections that hold."""
    entries: list[tuple[str, CalibrationStatement]] = [(f"`{name}`", one) for name, one in bench.instruments.items()]
    entries += [(f"the probe in input {number}", one) for number, one in bench.probes.items()]
    late = [f"{what} was due on {entry.due}" for what, entry in entries if entry.is_overdue(today)]
    held = [] if bench.corrections is None else list(bench.corrections.file.holding())
    return late + [f"the correction of {one.words} was due on {one.due}" for one in held if one.is_overdue(today)]


def calibration_facts(
    bench: Bench, channels: Mapping[str, int], others: Iterable[Role], today: date
) -> dict[str, Fact]:
    """The corrections that were applied to each channel, and what is overdue, by names for the settings of a capture.

    `input1.correction.gain` is the share that was added, `input1.correction.gain.uncertainty` its standard uncertainty.

    Parameters
    ----------
    channels : number of the input, by name of the channel.
    others : the other instruments that were read.
    today : UTC, of the capture.
    """
    facts: dict[str, Fact] = {}
    for name, number in channels.items():
        for one in bench.digitizer.applied(name):
            facts[f"input{number}.correction.{one.quantity}"] = float(one.value)
            facts[f"input{number}.correction.{one.quantity}{UNCERTAINTY}"] = float(one.uncertainty)
            facts[f"input{number}{WITHIN}corrected.{one.quantity}"] = float(one.uncertainty)
            for cause, part in one.shared.items():
                facts[f"input{number}{WITHIN}shared.{one.quantity}.{cause}"] = float(part)
            if isinstance(one, SkewCorrection):  # in place of what the profile states
                facts[f"input{number}.skew"] = LEFT * float(one.uncertainty)
        facts |= _late(f"input{number}", _overdue(bench, name, number, today))
    for role in others:
        name = getattr(bench, role.value).link.name
        entry = bench.file.instruments[name]
        facts |= _late(role.value, [f"`{name}` was due on {entry.due}"] if entry.is_overdue(today) else [])
    return facts


def _late(head: str, sentences: Iterable[str]) -> dict[str, Fact]:
    told = "; ".join(sentences)
    return doubt_facts(head, {Doubt.CALIBRATION_OVERDUE: told}) if told else {}


def _overdue(bench: Bench, channel: str, number: int, today: date) -> Iterator[str]:
    digitizer = bench.digitizer
    for one in digitizer.applied(channel):
        if one.is_overdue(today):
            yield f"the correction of {one.words} was due on {one.due}"
    for what, entry in (
        (f"`{digitizer.link.name}`", bench.file.instruments[digitizer.link.name]),
        (f"the probe in input {number}", bench.file.probe(number)),
    ):
        if entry.is_overdue(today):
            yield f"{what} was due on {entry.due}"


def _note(entry: CalibrationStatement, today: date, *, serial: str = "") -> CalibrationNote:
    return CalibrationNote(
        calibrated=str(entry.calibrated or ""),
        due=str(entry.due or ""),
        certificate=entry.certificate or "",
        serial=serial,
        is_overdue=entry.is_overdue(today),
    )
