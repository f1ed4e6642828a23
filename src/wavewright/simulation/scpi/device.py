"""One SCPI instrument: its command table, its status, and what it does with one unit of a message."""

from __future__ import annotations

from collections.abc import Mapping

from wavewright.errors import Misuse
from wavewright.simulation.scpi import common_commands
from wavewright.simulation.scpi.disturbance import Disturbances
from wavewright.simulation.scpi.elements import Element, Form, Unit
from wavewright.simulation.scpi.error_queue import ScpiError
from wavewright.simulation.scpi.headers import HeaderTree
from wavewright.simulation.scpi.instrument import Answer, Command, Pending, ReceivedHeader, Reply, SimulatedInstrument
from wavewright.simulation.scpi.parameter_types import only
from wavewright.simulation.scpi.settings import SimulatedSetting
from wavewright.simulation.scpi.status import OPERATION_COMPLETE, StatusRegisters


class ScpiDevice:
    """An instrument with IEEE 488.2 around it. Several message exchanges may share one device.

    Parameters
    ----------
    instrument : what the settings and actions belong to.
    headers : header pattern of each action that this device understands, by the action's name.
    message_time : simulated time that each message takes, and each further query in it, s.
    queue_depth : entries that the error queue holds.
    disturbances : what goes wrong, and when.
    completes_at_once : `*OPC?` answers without waiting: an instrument that does not keep the standard there.
    """

    def __init__(
        self,
        instrument: SimulatedInstrument,
        headers: Mapping[str, str],
        *,
        message_time: float = 1e-3,
        queue_depth: int = 20,
        disturbances: Disturbances | None = None,
        completes_at_once: bool = False,
    ) -> None:
        self.instrument = instrument
        self.message_time = message_time
        self.status = StatusRegisters(queue_depth)
        self.disturbances = disturbances or Disturbances()
        self._completes_at_once = completes_at_once
        self.completes_later = False  # `*OPC` was sent and an operation is pending
        self.is_stuck = False  # a fault keeps every operation pending
        self.generation = 0  # counts power-ons: what a message exchange still holds from an earlier one is lost
        self._common: Mapping[str, Command] = common_commands.common(self)
        self._tree: HeaderTree[Command] = HeaderTree()
        for pattern, command in common_commands.subsystems(self).items():
            self._tree.enter(pattern, command)
        actions = {**common_commands.for_dialects(self), **instrument.actions()}
        for name, pattern in headers.items():
            if name not in actions:
                raise Misuse(
                    f"action `{name}`",
                    where=getattr(name, "place", ""),
                    expected=f"one of {', '.join(sorted(actions))}",
                )
            self._tree.enter(pattern, actions[name])
        for row in instrument.settings.rows.values():
            self._tree.enter(row.pattern, self._setting_command(row))

    def perform(self, unit: Unit, path: tuple[str, ...]) -> tuple[Reply, tuple[str, ...]]:
        """Do what one unit says; the reply, and the path that the next header starts from (the path rule).

        Raises
        ------
        ScpiError : what the instrument has to complain of.
        """
        if unit.is_common:
            command = self._common.get(unit.mnemonics[0])
            if command is None:
                raise ScpiError(-113, f"*{unit.mnemonics[0]}")
            numbers: tuple[int, ...] = ()
        else:
            mnemonics = unit.mnemonics if unit.is_rooted else (*path, *unit.mnemonics)
            command, numbers = self._tree.find(mnemonics)
            path = mnemonics[:-1]
        todo = command.ask if unit.is_query else command.tell
        if todo is None:
            raise ScpiError(-113, f"{':'.join(unit.mnemonics)}{'?' if unit.is_query else ''}")
        return todo(ReceivedHeader(numbers, unit.elements)), path

    def headers(self) -> list[str]:
        """Every header pattern of the device, sorted, for `SYSTem:HELP:HEADers?`."""
        return sorted(self._tree.patterns())

    def reset(self) -> None:
        """`*RST`: the instrument's functions; queues, registers and enables stay."""
        self.instrument.reset()
        self.completes_later = self.is_stuck = False

    def power_cycle(self) -> None:
        """The supply goes and comes back."""
        self.reset()
        self.status.power_on()
        self.generation += 1

    def refresh(self) -> None:
        """Bring the condition registers up to now, and `*OPC` to its end where nothing is pending any more."""
        if not self.is_busy:
            self.instrument.finish()
            if self.completes_later:
                self.completes_later = False
                self.status.event |= OPERATION_COMPLETE
        self.status.operation.become(self.instrument.operation_condition())
        self.status.questionable.become(self.instrument.questionable_condition())

    @property
    def is_busy(self) -> bool:
        """True while an operation is pending."""
        now = self.instrument.clock.now
        moment = self.completion(now)
        return moment is None or moment > now

    def completion(self, deadline: float) -> float | None:
        """When the last pending operation ends, s; None: not by `deadline`."""
        return None if self.is_stuck else self.instrument.completion(deadline)

    def when_complete(self, reply: str | None) -> Reply:
        """A reply that has to wait for all pending operations: `*OPC?`, `*WAI`."""
        if self._completes_at_once or not self.is_busy:
            return reply
        return Pending(lambda: None if reply is None else Answer(reply.encode("ascii")), asks=reply is not None)

    def _setting_command(self, row: SimulatedSetting) -> Command:
        def tell(call: ReceivedHeader) -> None:
            number = self._number(row, call)
            only(call.elements, 1, 1)
            value = self.instrument.adjust(row.key, row.kind.read(call.elements[0]), number)
            self.instrument.settings.put(row.key, value, number)
            self.instrument.changed(row.key, number)

        def ask(call: ReceivedHeader) -> str:
            number = self._number(row, call)
            only(call.elements, 0, 1)
            if call.elements:
                return row.kind.write(row.kind.limit(_limit_word(call.elements[0])))
            return row.kind.write(self.instrument.settings.of(row.key, number))

        return Command(tell, ask)

    @staticmethod
    def _number(row: SimulatedSetting, call: ReceivedHeader) -> int:
        number = call.number if "<n>" in row.pattern else 1
        if not 1 <= number <= row.count:
            raise ScpiError(-114, f"{row.pattern} with {number}, 1 to {row.count}")
        return number


def _limit_word(element: Element) -> str:
    if element.form is not Form.WORD:
        raise ScpiError(-108 if element.form is Form.NUMBER else -104, "MINimum, MAXimum or DEFault is required")
    return element.text


def reply_bytes(reply: Answer | str) -> Answer:
    """A text reply as response data."""
    return Answer(reply.encode("ascii")) if isinstance(reply, str) else reply
