"""A recorded dialogue as the instruments: a VISA library that answers what the wire log says was answered.

A message is looked for in the recording of its instrument from where the last one was found, so a run that polls once
less, or leaves something out, still finds its way; one that sends what was never sent gets an error. Blocks can be
given back only if the log was written with `full`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyvisa import errors, highlevel, rname
from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode

from wavewright.errors import FileFault, Place, StorageFault
from wavewright.instruments.scpi import shorten
from wavewright.instruments.wire_log import WireRecord, read_wire_log

_paths = itertools.count(1)
_POLLED = re.compile(rb"status byte (\d{1,3})")
_OPENED = re.compile(rb"opened (\S+)")


@dataclass(frozen=True, slots=True)
class RecordedExchange:
    """One message as it was recorded, what was answered, and whether a block in the answer was not kept."""

    message: bytes
    answer: bytes
    lacks_block: bool = False


@dataclass(slots=True)
class Recording:
    """What was said to one instrument, in order, and how far the replay has come."""

    name: str
    exchanges: list[RecordedExchange]
    position: int = 0
    has_diverged: bool = False
    skipped: list[str] = field(default_factory=list)
    status_bytes: list[int] = field(default_factory=list)

    def answer_to(self, message: bytes) -> bytes:
        """What was answered to the next such message.

        Raises
        ------
        FileFault : from here on it was never sent, or the log does not hold the block of its answer. What comes after
            that, such as switching off, is answered as it was at last.
        """
        if self.has_diverged:
            return next((one.answer for one in reversed(self.exchanges) if _is_same(message, one.message)), b"")
        for index in range(self.position, len(self.exchanges)):
            exchange = self.exchanges[index]
            if _is_same(message, exchange.message):
                self.skipped += [shorten(one.message.strip()) for one in self.exchanges[self.position : index]]
                self.position = index + 1
                if exchange.lacks_block:
                    self.has_diverged = True
                    raise FileFault(
                        f"the wire log keeps only the hash of the block that answered `{shorten(message.strip())}`",
                        where=self.name,
                        do="record the run with full blocks",
                    )
                return exchange.answer
        self.has_diverged = True
        expected = self.exchanges[self.position].message if self.position < len(self.exchanges) else b""
        raise FileFault(
            f"`{shorten(message.strip())}` is not in what was recorded of {self.name} from here on",
            where=self.name,
            expected=f"`{shorten(expected.strip())}`" if expected else "nothing more: the recording ends here",
            do="name the recipe, the parameters and the bench file of the recorded run",
        )


def _is_same(sent: bytes, recorded: bytes) -> bool:
    """Of a message with a block the text in front of it was recorded."""
    return sent.strip() == recorded.strip() or (b" #" in sent and sent.split(b" #")[0] == recorded.strip())


def recordings(records: Iterable[WireRecord], *, where: Place | str = "") -> dict[str, Recording]:
    """By VISA address: what was sent to each instrument and what it answered.

    Parameters
    ----------
    where : the wire log, for messages.

    Raises
    ------
    FileFault : a message before its link was opened.
    """
    addresses: dict[str, str] = {}
    found: dict[str, Recording] = {}
    for record in records:
        if record.sign == "=" and (opened := _OPENED.match(record.data or b"")):
            address = opened[1].decode("ascii", "replace")
            addresses[record.instrument] = address
            found.setdefault(address, Recording(record.instrument, []))
        elif record.sign == "=" and (polled := _POLLED.match(record.data or b"")):
            if record.instrument in addresses:
                found[addresses[record.instrument]].status_bytes.append(int(polled[1]))
        elif record.sign in (">", "<", "#<"):
            if record.instrument not in addresses:
                raise FileFault(
                    f"`{record.instrument}` sends before its link is opened", where=where, expected="a whole wire log"
                )
            _enter(found[addresses[record.instrument]].exchanges, record)
    return found


def _enter(exchanges: list[RecordedExchange], record: WireRecord) -> None:
    if record.sign == ">":
        exchanges.append(RecordedExchange(record.data or b"", b""))
    elif exchanges:
        last = exchanges[-1]
        is_block = record.sign == "#<"
        data = (record.data or b"") + (b"\n" if is_block else b"")
        lacks = last.lacks_block or (is_block and record.data is None)
        exchanges[-1] = RecordedExchange(last.message, last.answer + data, lacks)


class ReplayLibrary(highlevel.VisaLibraryBase):
    """VISA over recordings; nothing recorded is a time-out at once."""

    recordings: dict[str, Recording]

    @staticmethod
    def get_library_paths() -> Sequence[Any]:
        """A name; nothing is looked up."""
        return ("replay",)

    def _init(self) -> None:
        self._sessions: dict[Any, dict[Any, Any]] = {}
        self._handles = itertools.count(1)

    def open_default_resource_manager(self) -> Any:
        """A handle."""
        return next(self._handles), StatusCode.success

    def open(self, session: Any, resource_name: str, access_mode: Any = 0, open_timeout: Any = 0) -> Any:
        """A session with one of the recorded instruments."""
        parsed = rname.ResourceName.from_string(resource_name)
        name = next((one for one in self.recordings if str(rname.ResourceName.from_string(one)) == str(parsed)), None)
        if name is None:
            raise FileFault(
                "the wire log has no dialogue with this address",
                where=resource_name,
                expected=f"one of {', '.join(self.recordings)}" if self.recordings else "a dialogue; it has none",
                do="name the bench file of the recorded run",
            )
        handle = next(self._handles)
        self._sessions[handle] = {
            "recording": self.recordings[name],
            "buffer": bytearray(),
            ResourceAttribute.resource_name: str(parsed),
            ResourceAttribute.resource_class: parsed.resource_class,
            ResourceAttribute.interface_type: getattr(parsed, "interface_type_const", InterfaceType.unknown),
            ResourceAttribute.timeout_value: 2000,
            ResourceAttribute.termchar_enabled: False,
        }
        return handle, StatusCode.success

    def close(self, session: Any) -> StatusCode:
        """Forget the session."""
        self._sessions.pop(session, None)
        return StatusCode.success

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        """The recorded addresses."""
        return rname.filter(list(self.recordings), query)

    def get_attribute(self, session: Any, attribute: Any) -> Any:
        """What was set, or 0."""
        return self._sessions[session].get(attribute, 0), StatusCode.success

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> StatusCode:
        """Kept."""
        self._sessions[session][attribute] = attribute_state
        return StatusCode.success

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        """There are none."""
        return StatusCode.success

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        """There are none."""
        return StatusCode.success

    def clear(self, session: Any) -> StatusCode:
        """What was not read is gone."""
        self._sessions[session]["buffer"].clear()
        return StatusCode.success

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:
        """The status bytes as they were polled, in order; the last one stays."""
        polled = self._sessions[session]["recording"].status_bytes
        if not polled:
            raise errors.VisaIOError(StatusCode.error_nonsupported_operation)
        return polled.pop(0) if len(polled) > 1 else polled[0], StatusCode.success

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """Find the message in the recording; its answer can be read then."""
        state = self._sessions[session]
        state["buffer"] = bytearray(state["recording"].answer_to(bytes(data)))
        return len(data), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        """Up to `count` bytes, to the NL where the termination character is on."""
        state = self._sessions[session]
        buffer: bytearray = state["buffer"]
        if not buffer:
            raise errors.VisaIOError(StatusCode.error_timeout)
        stops = state[ResourceAttribute.termchar_enabled]
        end = buffer.find(b"\n") + 1 if stops else 0
        data = bytes(buffer[: min(count, end or len(buffer))])
        del buffer[: len(data)]
        if stops and data.endswith(b"\n"):
            return data, StatusCode.success_termination_character_read
        return data, StatusCode.success if not buffer else StatusCode.success_max_count_read


def open_replay(path: Path) -> ReplayLibrary:
    """A library over the wire log in a file.

    Raises
    ------
    StorageFault : it cannot be read.
    FileFault : it is not a wire log.
    """
    if path.exists() and not path.is_file():  # a device may never end
        raise FileFault("this is not a file", where=Place(str(path)), expected="the wire.log of a run")
    try:
        with path.open(encoding="ascii") as stream:
            found = recordings(read_wire_log(stream, name=str(path)), where=Place(str(path)))
    except OSError as fault:
        raise StorageFault(f"the wire log cannot be read: {fault.strerror}", where=Place(str(path))) from fault
    except UnicodeDecodeError as fault:
        raise FileFault("this is not a wire log", where=Place(str(path)), expected="7-bit text") from fault
    library = ReplayLibrary(f"replay {next(_paths)} {path}")
    library.recordings = found
    return library
