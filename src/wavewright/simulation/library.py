"""The simulated bench as a VISA library: PyVISA opens it like any other, and nothing above knows the difference."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pyvisa import constants, errors, rname
from pyvisa.constants import StatusCode
from pyvisa_sim.highlevel import SimVisaLibrary

from wavewright.errors import FileFault
from wavewright.simulation.bench import SimulatedBench
from wavewright.simulation.files import equipment
from wavewright.simulation.scpi.device import ScpiDevice
from wavewright.simulation.scpi.exchange import Exchange
from wavewright.simulation.sessions import SimulatedSession

_calls = itertools.count(1)


class SimulatedVisa(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim has no types
    """PyVISA-sim's library with our devices: messages by IEEE 488.2, whole chunks, status, clear, triggers, events.

    Attributes
    ----------
    bench : what all instruments share, for tests that compare readings with `bench.board.truth()`.
    instruments : the devices by resource name.
    keeps_own_time : waits for its instruments take no time of this computer; what a call takes is computing.
    """

    keeps_own_time = True

    bench: SimulatedBench
    instruments: dict[str, ScpiDevice]

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self._handles = itertools.count(1)

    def _register(self, obj: Any) -> Any:
        handle = next(self._handles)
        self.sessions[handle] = obj
        return handle

    def equip(self, bench: SimulatedBench, instruments: dict[str, ScpiDevice]) -> None:
        """Give the library its bench; done once, by `open_library`."""
        self.bench, self.instruments = bench, instruments

    def open(
        self,
        session: Any,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: Any = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[Any, StatusCode]:
        """Open a session; nothing is locked."""
        del access_mode, open_timeout
        try:
            parsed = rname.parse_resource_name(resource_name)
        except rname.InvalidResourceName:
            raise errors.VisaIOError(StatusCode.error_invalid_resource_name.value) from None
        device = self.instruments.get(str(parsed))
        if device is None:
            raise errors.VisaIOError(StatusCode.error_resource_not_found.value)
        return self._register(SimulatedSession(session, parsed, Exchange(device))), StatusCode.success

    def list_resources(self, session: Any, query: str = "?*::INSTR") -> tuple[str, ...]:
        """The resources of the instrument file that match."""
        del session
        return rname.filter(list(self.instruments), query)

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        """Up to `count` bytes of the answer at once. Nothing there, and nothing to come: VI_ERROR_TMO, at once."""
        content, status = self._session(session).read(count)
        return content, _checked(status)

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """A message, with END after its last byte."""
        count, status = self._session(session).write(data)
        return count, _checked(status)

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:
        """Serial poll."""
        byte, status = self._session(session).poll()
        return byte, _checked(status)

    def clear(self, session: Any) -> StatusCode:
        """Device clear."""
        return _checked(self._session(session).clear())

    def assert_trigger(self, session: Any, protocol: Any) -> StatusCode:
        """Group execute trigger."""
        del protocol
        return _checked(self._session(session).trigger())

    def enable_event(self, session: Any, event_type: Any, mechanism: Any, context: None = None) -> StatusCode:
        """Queue service requests from now on."""
        del mechanism, context
        return self._session(session).enable_event(event_type)

    def disable_event(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        """Queue no service requests any more."""
        del event_type, mechanism
        return self._session(session).disable_event() if self._is_session(session) else StatusCode.success

    def discard_events(self, session: Any, event_type: Any, mechanism: Any) -> StatusCode:
        """Forget queued service requests."""
        del event_type, mechanism
        return self._session(session).discard_events() if self._is_session(session) else StatusCode.success

    def wait_on_event(self, session: Any, in_event_type: Any, timeout: int) -> tuple[Any, Any, StatusCode]:
        """Wait, in simulated time, for a service request; `timeout` in ms, as VISA counts."""
        status = _checked(self._session(session).wait_for_request(timeout / 1000))
        return in_event_type, self._register(object()), status

    def _is_session(self, session: Any) -> bool:
        return isinstance(self.sessions.get(session), SimulatedSession)

    def _session(self, session: Any) -> SimulatedSession:
        found = self.sessions.get(session)
        if not isinstance(found, SimulatedSession):
            raise errors.InvalidSession
        return found


def _checked(status: StatusCode) -> StatusCode:
    """The status of a call; an error is raised, for a status alone would not do: PyVISA goes on with it."""
    if status < 0:
        raise errors.VisaIOError(status.value)
    return status


def open_library(path: str, *, settings: Mapping[str, object]) -> SimulatedVisa:
    """A simulated bench, switched on a moment ago, as a library for `pyvisa.ResourceManager`.

    Parameters
    ----------
    path : the instrument file.
    settings : `board` (path of the board file), `seed`, `draw` (see `SimulatedBench`), `probes` (by input: attenuation,
        capacitance, bandwidth),
        `faults` (path of a fault file).

    Raises
    ------
    FileFault : the instrument file, the board file or the fault file cannot be used.
    Misuse : a setting that there is none of, or no board.

    Examples
    --------
    >>> library = open_library("sim/instruments.yaml", settings={"board": "sim/vc204.yaml", "seed": 204})
    ... # doctest: +SKIP
    """
    file = Path(path)
    if not file.is_file():
        raise FileFault("no such file", where=path, expected="a definition of simulated instruments")
    bench, instruments = equipment(file, settings)
    # PyVISA keeps one library for each path: a number in it gives every caller a bench of his own
    library: SimulatedVisa = SimulatedVisa(f"{path}#{next(_calls)}")
    library.equip(bench, instruments)
    return library
