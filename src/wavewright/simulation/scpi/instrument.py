"""What a simulated instrument is to the message exchange: settings, actions, and operations that take their time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from wavewright.simulation.clock import Clock
from wavewright.simulation.scpi.elements import Element
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.parameter_types import Value
from wavewright.simulation.scpi.settings import Settings


@dataclass(frozen=True, slots=True)
class Answer:
    """Response data of one query. `is_last`: nothing may follow it in its message (IEEE 488.2-1992, 6.3, −440)."""

    content: bytes | memoryview
    is_last: bool = False


@dataclass(frozen=True, slots=True)
class Pending:
    """An answer that cannot come before all operations have ended."""

    answer: Callable[[], Answer | None]
    asks: bool = True


Reply = Answer | Pending | str | None


@dataclass(frozen=True, slots=True)
class ReceivedHeader:
    """One header that was sent: the numbers of its nodes, and its data elements."""

    numbers: tuple[int, ...]
    elements: Sequence[Element]

    @property
    def number(self) -> int:
        """The last number in the header; 1 where none was sent or none is taken."""
        return self.numbers[-1] if self.numbers else 1


@dataclass(frozen=True, slots=True)
class Command:
    """What a header does: `tell` without a question mark, `ask` with one. None: −113."""

    tell: Callable[[ReceivedHeader], Reply] | None = None
    ask: Callable[[ReceivedHeader], Reply] | None = None


class SimulatedInstrument:
    """One instrument that answers the message exchange. A role adds actions and says what a changed setting moves."""

    def __init__(self, identity: str, settings: Settings, clock: Clock) -> None:
        self.identity = identity
        self.settings = settings
        self.clock = clock

    def actions(self) -> Mapping[str, Command]:
        """What the instrument can do beside its settings, by name; the definition file gives each its header."""
        return {}

    def adjust(self, key: str, value: Value, number: int) -> Value:
        """What a setting becomes beside the others that are set; ScpiError −221 where it cannot be."""
        del key, number
        return value

    def changed(self, key: str, number: int) -> None:
        """A setting has a new value; change what depends on it."""

    def reset(self) -> None:
        """`*RST`: all settings as they come, no operation pending."""
        self.settings.reset()

    def completion(self, deadline: float) -> float | None:
        """When the last pending operation ends, s. None: not by `deadline`. Now or earlier: none is pending."""
        del deadline
        return self.clock.now

    def foresee(self, deadline: float) -> float | None:
        """As `completion`, but a look ahead that found nothing by `deadline` is forgotten: much may yet change."""
        return self.completion(deadline)

    def finish(self) -> None:
        """Conclude the operations that `completion` gave a moment for."""

    def trigger(self) -> None:
        """`*TRG` and GET."""
        raise ScpiError(-211)

    def disturb(self, seconds: float) -> None:
        """Interference on its way: what it disturbs is the instrument's own affair."""

    def arm_late(self, seconds: float) -> None:
        """What arms it next will take so long; only a digitizer is armed."""

    def operation_condition(self) -> int:
        """Bits of STATus:OPERation:CONDition."""
        return 0

    def questionable_condition(self) -> int:
        """Bits of STATus:QUEStionable:CONDition."""
        return 0

    def self_test(self) -> int:
        """`*TST?`: 0 when all is well."""
        return 0
