"""The bench file: which instruments there are, at which address, what they may be asked for, and the probes."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.date_fields import Day
from wavewright.grammar.located_yaml import place_of, read_text
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import plain, read_model, refusal, refusing
from wavewright.grammar.quantity_fields import Farads, Hertz, Metres, Share
from wavewright.grammar.word_fields import Line, LocatedText, Moment, VersionOne
from wavewright.instruments.addresses import check_address
from wavewright.instruments.corrections import BenchCorrections, corrections_path, load_bench_corrections
from wavewright.instruments.profile import Profile, load_profile
from wavewright.instruments.simulated import is_without_instruments
from wavewright.instruments.vocabulary import Role
from wavewright.quantities import read_quantity

_CEILING_UNITS = {"voltage": "V", "current": "A", "frequency": "Hz"}
_CEILINGS_OF = {Role.SUPPLY: ("voltage", "current"), Role.SOURCE: ("voltage", "frequency")}


def _ceilings(value: Any) -> dict[str, float]:
    if not isinstance(value, Mapping):
        raise Misuse(f"`{value}` are not ceilings", expected="such as `{voltage: 26 V, current: 1.5 A}`")
    found = {}
    for name, text in value.items():
        if name not in _CEILING_UNITS:
            raise Misuse(f"unknown ceiling `{name}`", expected=f"one of {', '.join(_CEILING_UNITS)}")
        found[str(name)] = read_quantity(str(text), unit=_CEILING_UNITS[name], least=0.0).value
    return found


def _factor(value: Any) -> float:
    """`10`, or `10x`."""
    text = str(value).strip()
    return read_quantity(text if text.endswith("x") else f"{text}x", unit="x", least=1.0).value


Ceilings = Annotated[
    dict[str, float],
    BeforeValidator(refusing(_ceilings)),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": "string"}, "examples": [{"voltage": "26 V"}]}),
]
Attenuation = Annotated[float, BeforeValidator(refusing(_factor)), WithJsonSchema({"type": ["number", "string"]})]
Address = Annotated[str, BeforeValidator(refusing(lambda value: check_address(str(value))))]


class CalibrationStatement(GrammarModel):
    """What is known of the calibration of an instrument or a probe."""

    calibrated: Day | None = Field(default=None, description="day on which it was calibrated", examples=["2026-03-02"])
    due: Day | None = Field(
        default=None,
        description="last day on which that calibration holds; readings after it have the doubt `calibration_overdue`",
        examples=["2027-03-02"],
    )
    certificate: Line | None = Field(default=None, description="number of the certificate", examples=["VCL-2026-0318"])

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        if self.due is not None and self.calibrated is not None and self.due < self.calibrated:
            what = f"`due: {self.due}` is before `calibrated: {self.calibrated}`"
            raise refusal(Misuse(what, expected="a day after that of the calibration"))
        return self

    def is_overdue(self, today: date) -> bool:
        """Whether the last day of the calibration has passed."""
        return self.due is not None and today > self.due


class InstrumentEntry(CalibrationStatement):
    """One instrument: its VISA address, its profile, and what it must never be set above."""

    resource: Address = Field(description="VISA address", examples=["TCPIP0::192.0.2.17::inst0::INSTR"])
    profile: str = Field(description="shipped profile, or a file", examples=["scpi-digitizer", "profiles/mine.yaml"])
    ceilings: Ceilings = Field(
        default_factory=dict,
        description="ceilings of what it is set to: voltage and current of a supply, voltage and frequency of a source",
        examples=[{"voltage": "26 V", "current": "1.5 A"}],
    )
    on_since: Moment | None = Field(
        default=None,
        description="when it was switched on, with the offset from UTC; until the warm-up time of its profile is over, "
        "readings have the doubt `not_warmed_up`",
        examples=["2026-03-02T07:45+01:00"],
    )


class PromptsEntry(GrammarModel):
    """The operator's screen."""

    resource: Address = Field(description="VISA address", examples=["TCPIP0::192.0.2.18::inst0::INSTR"])
    profile: str = Field(default="scpi-display", description="shipped profile, or a file", examples=["scpi-display"])


class ProbeAtOne(GrammarModel):
    """A probe that is switched to 1x: its cable and the input lie on the circuit."""

    capacitance: Farads = Field(default=0.0, description="input capacitance at 1x", examples=["60 pF"])
    bandwidth: Hertz | None = Field(default=None, description="bandwidth at 1x", examples=["30 MHz"])


class ProbeEntry(CalibrationStatement):
    """The probe that is plugged into an input."""

    attenuation: Attenuation = Field(default=1.0, description="division of the probe", examples=["10x", 10])
    capacitance: Farads = Field(default=0.0, description="input capacitance, with which it loads the circuit")
    bandwidth: Hertz | None = Field(default=None, description="bandwidth of the probe", examples=["200 MHz"])
    serial: Line | None = Field(
        default=None, description="serial number; corrections hold for this probe alone", examples=["PB-0107"]
    )
    tolerance: Share | None = Field(
        default=None, description="limit of error of the attenuation, from the probe's data sheet", examples=["1 %"]
    )
    bandwidth_tolerance: Share | None = Field(
        default=None, description="how far the bandwidth may be from the stated one", examples=["10 %"]
    )
    at_1x: ProbeAtOne | None = Field(
        default=None,
        description="what it is when it is switched to 1x, for measurements with `probe: 1x`",
        examples=[{"capacitance": "60 pF", "bandwidth": "30 MHz"}],
    )
    ground_lead: Metres = Field(
        default=0.0, description="length of its ground lead, which rings with the capacitance", examples=["150 mm"]
    )

    def at(self, attenuation: float) -> ProbeEntry | None:
        """The probe as it is used at an attenuation; None where the bench does not state it there."""
        if math.isclose(attenuation, self.attenuation):
            return self
        if math.isclose(attenuation, 1.0) and self.at_1x is not None:
            at_1x = self.at_1x
            changed = {"attenuation": 1.0, "capacitance": at_1x.capacitance, "bandwidth": at_1x.bandwidth}
            return self.model_copy(update=changed)
        return None


# For editors only: what the settings are is up to the library, which refuses what it does not know.
_SIMULATION = {
    "type": "object",
    "properties": {
        "board": {"type": "string", "description": "board file", "examples": ["vc204.yaml"]},
        "seed": {
            "type": "integer",
            "description": "fixes what the board and the instruments are built like",
            "examples": [204],
        },
        "draw": {
            "type": "integer",
            "description": "fixes what fluctuates: noise, sampling phase, when a rare thing happens",
            "examples": [1],
        },
        "faults": {"type": "string", "description": "fault file", "examples": ["faults/late_answers.yaml"]},
        "trimming": {
            "type": "object",
            "description": "how far the adjustment of the probe in each input is off",
            "examples": [{"1": "-8 %"}],
        },
        "ground_leads": {
            "type": "object",
            "description": "how long the ground lead of the probe in each input really is",
            "examples": [{"1": "150 mm"}],
        },
    },
}


class BenchGrammar(GrammarModel):
    """A bench file as it is written."""

    version: VersionOne = Field(alias="wavewright-bench", description="version of the grammar: 1")
    about: str = Field(default="", description="which bench this is, in a line", examples=["line 3, station 2"])
    library: str = Field(
        default="",
        description="VISA library: `@py` for PyVISA-py, `FILE@sim` for simulated instruments, or the path of a native "
        "one; if left out, that of this machine, else PyVISA-py",
        examples=["@py", "instruments.yaml@sim"],
    )
    instruments: dict[str, InstrumentEntry] = Field(
        description="the instruments by name",
        examples=[{"digitizer": {"resource": "TCPIP0::192.0.2.17::inst0::INSTR", "profile": "scpi-digitizer"}}],
    )
    probes: dict[int, ProbeEntry] = Field(
        default_factory=dict,
        description="the probe in each input; a plain cable where none is named",
        examples=[{"1": {"attenuation": 10, "capacitance": "12 pF", "bandwidth": "200 MHz"}}],
    )
    corrections: LocatedText | None = Field(
        default=None,
        description="file of corrections, which must be there then; `corrections.yaml` beside the bench file, if there "
        "is one, where the key is left out",
        examples=["corrections.yaml"],
    )
    prompts: PromptsEntry | None = Field(
        default=None,
        description="an instrument that shows the operator what to do next",
        examples=[{"resource": "TCPIP0::192.0.2.18::inst0::INSTR"}],
    )
    simulation: Annotated[dict[str, object], WithJsonSchema(_SIMULATION)] = Field(
        default_factory=dict,
        description="what is given to the library of simulated instruments",
        examples=[{"board": "vc204.yaml", "seed": 204}],
    )
    simulated: bool = Field(default=False, description="no real instrument answers at these addresses; outcomes say so")


@dataclass(frozen=True, eq=False)
class BenchFile:
    """A bench file with the profiles of its instruments.

    Parameters
    ----------
    path : as it was given.
    profiles : by name of the instrument; the screen's under `prompts`.
    corrections : of its digitizers; None where there are none, or where they are left out.
    """

    path: str
    text: str
    grammar: BenchGrammar
    profiles: Mapping[str, Profile]
    corrections: BenchCorrections | None = None

    @property
    def folder(self) -> Path:
        """Where relative paths in it begin."""
        return Path(self.path).parent

    @property
    def digest(self) -> str:
        """SHA-256 over the text, for the outcome's evidence."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @property
    def instruments(self) -> Mapping[str, InstrumentEntry]:
        """By name."""
        return self.grammar.instruments

    @property
    def probes(self) -> Mapping[int, ProbeEntry]:
        """By input."""
        return self.grammar.probes

    def probe(self, input: int) -> ProbeEntry:
        """The probe in an input; a plain cable where the file names none."""
        return self.grammar.probes.get(input, ProbeEntry())

    @property
    def probe_serials(self) -> Mapping[int, str]:
        """Serial number of the probe in each input, where the file states one."""
        return {number: probe.serial for number, probe in self.grammar.probes.items() if probe.serial}

    @property
    def corrections_path(self) -> Path:
        """Where its corrections lie, or would lie."""
        return corrections_path(self.path, self.grammar.corrections or "")

    def uncorrected(self) -> BenchFile:
        """The same bench without its corrections: for calibrating, and for asking who is there."""
        return replace(self, corrections=None)

    @property
    def seed(self) -> int | None:
        """Of the simulated bench, where the file has one."""
        seed = self.simulation_settings().get("seed")
        return seed if isinstance(seed, int) else None

    @property
    def is_simulated(self) -> bool:
        """Whether the file itself shows that none of its instruments is real: by its library, or because it says so."""
        return self.grammar.simulated or is_without_instruments(self.grammar.library)

    def replaying(self, wire_log: Path) -> BenchFile:
        """The same bench with a recorded dialogue in place of the instruments."""
        grammar = self.grammar.model_copy(update={"library": f"{wire_log.resolve()}@replay"})
        return replace(self, grammar=grammar)

    def simulation_settings(self, *, seed: int | None = None, draw: int | None = None) -> dict[str, object]:
        """What is given to a simulated library: the `simulation:` part with paths made absolute, and the probes.

        Parameters
        ----------
        seed : in place of the file's; draw : decides what fluctuates, where the seed shall not.
        """
        settings = {key: self._absolute(plain(value)) for key, value in self.grammar.simulation.items()}
        settings |= {name: number for name, number in (("seed", seed), ("draw", draw)) if number is not None}
        settings["probes"] = {
            number: {
                "attenuation": probe.attenuation,
                "capacitance": probe.capacitance,
                "ground_lead": probe.ground_lead,
            }
            for number, probe in self.grammar.probes.items()
        }
        return settings

    def _absolute(self, value: object) -> object:
        if isinstance(value, str) and value.endswith((".yaml", ".yml")):
            return str((self.folder / value).resolve())
        if isinstance(value, list):
            return [self._absolute(item) for item in value]
        if isinstance(value, dict):
            return {key: self._absolute(item) for key, item in value.items()}
        return value

    def names_of_role(self, role: Role) -> tuple[str, ...]:
        """The instruments with that role."""
        return tuple(name for name in self.instruments if self.profiles[name].role is role)

    def name_of_role(self, role: Role) -> str | None:
        """The only instrument with that role; None where there are several, for one of them would be a guess."""
        names = self.names_of_role(role)
        return names[0] if len(names) == 1 else None


def load_bench(path: str | Path, *, is_corrected: bool = True) -> BenchFile:
    """A bench file with all the profiles that it names, and with its corrections.

    Parameters
    ----------
    is_corrected : False leaves the file of corrections unread, whatever is in it: for a calibration, which replaces it.

    Raises
    ------
    FileFault : everything that is wrong with it, or with a profile.
    """
    text = read_text(path)
    grammar = read_model(path, BenchGrammar, text=text)
    folder = Path(path).parent
    profiles: dict[str, Profile] = {}
    faults: list[FileFault] = []
    entries: dict[str, InstrumentEntry | PromptsEntry] = dict(grammar.instruments)
    if grammar.prompts:
        entries["prompts"] = grammar.prompts
    for name, entry in entries.items():
        try:
            profiles[name] = load_profile(entry.profile, folder=folder)
        except FileFault as fault:
            if not str(fault.where):
                fault.where = Place(str(path))
                fault.what = f"instrument `{name}`: {fault.what}"
            faults += fault.faults or [fault]
            continue
        faults += _pointless_ceilings(name, entry, profiles[name], str(path))
    corrections = None
    digitizers = [name for name in grammar.instruments if name in profiles and profiles[name].role is Role.DIGITIZER]
    if is_corrected and not faults:
        try:
            corrections = _corrections(path, grammar, digitizers)
        except FileFault as fault:
            faults += fault.faults or [fault]
    if faults:
        raise FileFault.joined(faults)
    return BenchFile(str(path), text, grammar, MappingProxyType(profiles), corrections)


def _corrections(path: str | Path, grammar: BenchGrammar, digitizers: Sequence[str]) -> BenchCorrections | None:
    """The corrections of a bench; a file that it names, and that is not there, is a fault and not "none"."""
    named = grammar.corrections or ""
    found = load_bench_corrections(path, digitizers, named=named)
    if found is None and named:
        where = place_of(grammar.corrections) or Place(str(path))
        raise FileFault(
            f"there is no file `{corrections_path(path, named)}`",
            where=where,
            expected="the corrections of this bench",
            do="`wavewright calibrate` writes it; without the key `corrections` none are applied",
        )
    return found


def _pointless_ceilings(
    name: str, entry: InstrumentEntry | PromptsEntry, profile: Profile, path: str
) -> list[FileFault]:
    """A ceiling that nothing would check is worse than none."""
    if not isinstance(entry, InstrumentEntry):
        return []
    known = _CEILINGS_OF.get(profile.role, ())
    return [
        FileFault(
            f"instrument `{name}`: nothing checks a ceiling of `{ceiling}` on a {profile.role}",
            where=Place(path),
            expected=f"one of {', '.join(known)}" if known else "no ceilings",
        )
        for ceiling in entry.ceilings
        if ceiling not in known
    ]
