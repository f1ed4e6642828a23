"""The corrections of one digitizer on the bench: whether they are its own, and which hold for an input as it is set."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from wavewright.errors import BenchFault, FileFault
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.instruments.corrections_file import (
    USUAL_NAME,
    Correction,
    CorrectionsFile,
    GainCorrection,
    OffsetCorrection,
    SkewCorrection,
    TimebaseCorrection,
    load_corrections,
)
from wavewright.instruments.setups import InputSetup
from wavewright.waveform import Waveform

R = TypeVar("R", OffsetCorrection, GainCorrection)
SAME = 1e-3  # relative: the range that is read back is the one of the correction
SAME_MIDDLE = 0.01  # of the range: what a gain that turns around the middle can do within it is far below its accuracy
FIELDS_OF_IDENTITY = 4  # maker, model, serial number, firmware (IEEE 488.2-1992, 10.14)


@dataclass(frozen=True, slots=True)
class AppliedCorrections:
    """What holds for one input as it is set; None: nothing is known, and the accuracy of the profile is."""

    offset: OffsetCorrection | None = None
    gain: GainCorrection | None = None
    skew: SkewCorrection | None = None
    timebase: TimebaseCorrection | None = None

    def __iter__(self) -> Iterator[Correction]:
        yield from (one for one in (self.offset, self.gain, self.skew, self.timebase) if one is not None)

    def corrected(self, told: Waveform) -> Waveform:
        """A waveform with another scale and another time axis; its codes are not touched.

        volts = (volts as told + offset) · (1 + gain); time = time as told · (1 + timebase) + skew.
        """
        if not any(self):
            return told
        offset, gain, skew, timebase = (
            0.0 if one is None else float(one.value) for one in (self.offset, self.gain, self.skew, self.timebase)
        )
        return replace(
            told,
            gain=told.gain * (1 + gain),
            offset=(told.offset + offset) * (1 + gain),
            interval=told.interval * (1 + timebase),
            start=told.start * (1 + timebase) + skew,
        )


@dataclass(frozen=True, slots=True)
class InstrumentCorrections:
    """The corrections of one digitizer.

    Parameters
    ----------
    entries : those that hold, of this instrument.
    probes : serial number of the probe in each input, as the bench file has it; empty where it states none.
    """

    entries: tuple[Correction, ...] = ()
    probes: Mapping[int, str] = field(default_factory=dict)

    def applied(self, setup: InputSetup) -> AppliedCorrections:
        """What holds for an input as it is set.

        Parameters
        ----------
        setup : range and offset as read back, V at the probe's tip; the attenuation of the probe as it is used.
        """
        own = [one for one in self.entries if self._is_through(one, setup)]
        skews = (one for one in own if isinstance(one, SkewCorrection))
        levels = [one for one in own if not isinstance(one, OffsetCorrection) or one.coupling == setup.coupling]
        return AppliedCorrections(
            offset=_nearest(levels, OffsetCorrection, setup),
            gain=_nearest(levels, GainCorrection, setup),
            skew=next((one for one in skews if _is_same(one.bandwidth_limit, setup.bandwidth_limit)), None),
            timebase=next((one for one in self.entries if isinstance(one, TimebaseCorrection)), None),
        )

    def _is_through(self, one: Correction, setup: InputSetup) -> bool:
        """Whether a correction is of this input, with this probe at this division, at this input impedance."""
        if not isinstance(one, OffsetCorrection | GainCorrection | SkewCorrection):
            return False
        is_probe = (one.probe_serial or "") == self.probes.get(setup.input, "")
        is_division = _is_same(one.probe, setup.attenuation)
        return one.input == setup.input and is_probe and is_division and _is_same(one.impedance, setup.impedance)


NO_CORRECTIONS = InstrumentCorrections()


@dataclass(frozen=True, slots=True)
class BenchCorrections:
    """The file of corrections beside a bench file.

    Parameters
    ----------
    path, text : of the file, for the evidence.
    """

    path: str
    text: str
    file: CorrectionsFile

    @property
    def digest(self) -> str:
        """SHA-256 over the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def of_instrument(
        self,
        name: str,
        identity: str,
        *,
        probes: Mapping[int, str] = MappingProxyType({}),
        seed: int | None = None,
        today: date | None = None,
    ) -> InstrumentCorrections:
        """The corrections of an instrument that has said who it is.

        Those of others that have stood in its place, or will again, are kept in the file and not applied.

        Parameters
        ----------
        name : on the bench; identity : its answer to `*IDN?`.
        probes : serial number of the probe in each input.
        seed : that a simulated instrument is built by; None for a real one.
        today : UTC; nothing may be dated after it.

        Raises
        ------
        BenchFault : there are only those of another instrument, or of other probes, or one of a day that is to come.
        """
        named = [one for one in self.file.holding() if one.instrument == name]
        answered = read_identity(identity)
        held = [one for one in named if one.identity == answered and one.seed in (None, seed)]
        faults = [
            *([] if held else _of_another(named, name, identity, seed)),
            *_of_other_probes(held, probes),
            *_to_come(held, today),
        ]
        if faults:
            raise _joined(faults)
        return InstrumentCorrections(tuple(held), MappingProxyType(dict(probes)))


def read_identity(identity: str) -> tuple[str, str, str]:
    """Maker, model and serial number of an answer to `*IDN?` (IEEE 488.2-1992, 10.14); empty where it has none.

    Examples
    --------
    >>> read_identity("Wavewright,Simulated digitizer,WD-0204,1.0")
    ('Wavewright', 'Simulated digitizer', 'WD-0204')
    """
    fields = [part.strip() for part in identity.split(",")] + [""] * FIELDS_OF_IDENTITY
    return fields[0], fields[1], fields[2]


def corrections_path(bench: str | Path, named: str = "") -> Path:
    """Where the corrections of a bench file lie: as it says, else beside it."""
    return Path(bench).parent / (named or USUAL_NAME)


def load_bench_corrections(
    bench: str | Path, instruments: Collection[str], *, named: str = ""
) -> BenchCorrections | None:
    """The corrections of a bench; None where it has none.

    Parameters
    ----------
    bench : path of the bench file; named : what it calls the file of corrections.
    instruments : names of its digitizers.

    Raises
    ------
    FileFault : the file cannot be used, or corrects what the bench has not.
    """
    path = corrections_path(bench, named)
    if not path.exists() and not path.is_symlink():
        return None
    file, text = load_corrections(path)
    faults = [
        FileFault(
            f"a correction of `{one.instrument}`, and {bench} has no digitizer of that name",
            where=one.place or str(path),
            expected=f"one of {', '.join(instruments)}" if instruments else "no corrections",
        )
        for one in file.corrections
        if one.instrument not in instruments
    ]
    if faults:
        raise FileFault.joined(faults)
    return BenchCorrections(str(path), text, file)


def _of_another(held: list[Correction], name: str, identity: str, seed: int | None) -> Iterator[BenchFault]:
    answered = read_identity(identity)
    for one in held:
        whose = ",".join(one.identity)
        said = f"seed {one.seed}" if one.identity == answered else f"`{whose}`"
        found = f"seed {seed}" if one.identity == answered else f"`{identity}`"
        yield BenchFault(
            f"a correction of another instrument: {said}, and `{name}` is {found}",
            where=one.place or "",
            expected="corrections of the instrument that stands on the bench",
            do="calibrate it with `wavewright calibrate`, or give this bench a file of its own, `corrections: FILE`",
        )


def _of_other_probes(held: list[Correction], probes: Mapping[int, str]) -> Iterator[BenchFault]:
    """An input that was calibrated, and with none of the probes that are in it now: a probe has been exchanged."""
    through: dict[int, list[OffsetCorrection | GainCorrection | SkewCorrection]] = {}
    for one in held:
        if isinstance(one, OffsetCorrection | GainCorrection | SkewCorrection):
            through.setdefault(one.input, []).append(one)
    for number, entries in through.items():
        present = probes.get(number, "")
        if any((one.probe_serial or "") == present for one in entries):
            continue
        known = ", ".join(sorted({f"`{one.probe_serial}`" if one.probe_serial else "one without" for one in entries}))
        yield BenchFault(
            f"input {number} was calibrated with the probe of serial number {known}, and the bench file has "
            f"{f'`{present}`' if present else 'one without'} in it",
            where=entries[0].place or "",
            expected="the probe that stands in the bench file",
            do="plug that probe in again and name it in the bench file, or calibrate the input with the new one",
        )


def _to_come(held: list[Correction], today: date | None) -> Iterator[BenchFault]:
    for one in held:
        if today is not None and one.date > today:
            yield BenchFault(
                f"{one.words}: dated {one.date}, and today is {today} (UTC)",
                where=one.place or "",
                expected="a calibration that has been made",
                do="set the computer's clock, or correct the date",
            )


def _joined(faults: list[BenchFault]) -> BenchFault:
    if len(faults) == 1:
        return faults[0]
    first = faults[0]
    error = BenchFault(
        "; ".join(dict.fromkeys(fault.what for fault in faults)),
        where=first.where,
        expected=first.expected,
        do=first.do,
    )
    error.faults = tuple(faults)
    return error


def _is_same(made: StatedQuantity | None, used: float | None) -> bool:
    """Whether a correction was made with what is used now; what neither states is the same."""
    return used is None if made is None else used is not None and math.isclose(float(made), used, rel_tol=SAME)


def _nearest(entries: Iterable[Correction], kind: type[R], setup: InputSetup) -> R | None:
    """The correction of a range; of several the one that was made nearest to the voltage in its middle."""

    def away(one: R) -> float:  # one that holds anywhere comes last
        return math.inf if one.middle is None else abs(float(one.middle) - setup.offset)

    fitting = [
        one
        for one in entries
        if isinstance(one, kind)
        and _is_same(one.range, setup.range)
        and (one.middle is None or away(one) <= SAME_MIDDLE * setup.range)
    ]
    return min(fitting, key=away, default=None)
