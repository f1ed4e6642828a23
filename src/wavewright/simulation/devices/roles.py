"""Roles of simulated instruments: what an instrument file's `acts_as:` stands for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Generic, Literal, Protocol, TypeVar

from pydantic import BeforeValidator, Field
from pyvisa.rname import InvalidResourceName, to_canonical_name

from wavewright.errors import Misuse
from wavewright.grammar.alternatives import ChosenBy
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusing
from wavewright.grammar.quantity_fields import Seconds
from wavewright.grammar.word_fields import CountFrom, Line, LocatedText
from wavewright.registry import Registry
from wavewright.simulation.bench import SimulatedBench
from wavewright.simulation.scpi.instrument import SimulatedInstrument
from wavewright.simulation.scpi.settings import Settings
from wavewright.simulation.setting_entries import TAKES, SettingEntry

MOST_INPUTS = 64


def _canonical(value: object) -> str:
    try:
        return str(to_canonical_name(str(value)))
    except InvalidResourceName as fault:
        raise Misuse(
            f"`resource: {value}`: {fault}", expected="a VISA resource, such as TCPIP0::digitizer.example::inst0::INSTR"
        ) from fault


Action = Annotated[LocatedText, Field(examples=["arm"])]


class SimulatedInstrumentEntry(GrammarModel):
    """A simulated instrument: its address, what it acts as, its command table."""

    resource: Annotated[str, BeforeValidator(refusing(_canonical))] = Field(
        description="VISA address under which a bench finds it", examples=["TCPIP0::digitizer.example::inst0::INSTR"]
    )
    acts_as: str = Field(description="what the instrument does, and in which way", examples=["digitizer"])
    identity: Line = Field(description="answer to *IDN?", examples=["Wavewright,Simulated digitizer,WD-0204,1.0"])
    inputs: Annotated[int, CountFrom(0, MOST_INPUTS)] = Field(
        default=1, description="number of inputs that settings with `each: input` are there for", examples=[4]
    )
    actions: dict[LocatedText, Line] = Field(
        default_factory=dict,
        description="header of each action that the instrument understands, by the action's name",
        examples=[{"arm": "INITiate[:IMMediate][:ALL]"}],
    )
    settings: dict[str, Annotated[SettingEntry, ChosenBy("takes", lambda: TAKES, "setting")]] = Field(
        default_factory=dict,
        description="what can be set and queried, by the name that the role has for it",
        examples=[{"output": {"header": "OUTPut[:STATe]", "takes": "Boolean", "reset": "OFF"}}],
    )
    message_time: Seconds = Field(
        default=1e-3, description="time that each message takes, and each further query in it", examples=["1 ms"]
    )
    error_queue: Annotated[int, CountFrom(0, 1000)] = Field(
        default=20, description="number of entries that the error queue holds", examples=[20]
    )
    operation_complete: Literal["when it is", "at once"] = Field(
        default="when it is", description="when *OPC? answers; at once: without waiting, against the standard"
    )
    details: GrammarModel | None = Field(default=None, description="nothing for this role", examples=[{}])


D = TypeVar("D")


@dataclass(frozen=True, slots=True)
class InstrumentContext(Generic[D]):
    """What an instrument is made from. `details`: the role's own section of the file."""

    identity: str
    settings: Settings
    bench: SimulatedBench
    details: D
    stream: int  # of chance: no two instruments of a bench share one


class MakeInstrument(Protocol):
    """A class of instruments: what its entry holds, and how one is made."""

    entry: type[SimulatedInstrumentEntry]

    def __call__(self, making: InstrumentContext[Any]) -> SimulatedInstrument:
        """The instrument, in its state after power-on."""
        ...


_roles: Registry[MakeInstrument] = Registry(
    "role", package="wavewright.simulation.devices", group="wavewright.simulated_roles"
)
role = _roles.entering


def roles() -> Mapping[str, MakeInstrument]:
    """Every role by the name that instrument files use."""
    return _roles.everything()
