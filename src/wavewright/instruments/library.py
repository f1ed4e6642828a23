"""Opens the VISA library that a bench file names: a simulated one by entry point, any other through PyVISA."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wavewright.errors import FileFault, LinkLost, WavewrightError
from wavewright.instruments.usual_library import usual_manager

if TYPE_CHECKING:
    from importlib.metadata import EntryPoints

    import pyvisa

log = logging.getLogger(__name__)
GROUP = "wavewright.visa_libraries"
REPLAY = "replay"  # `wire.log@replay`: a recorded dialogue as the instruments
PYVISA_PY = "@py"  # the library that reaches a raw socket as this program does by itself


class LaterPyVisa:
    """PyVISA over PyVISA-py, loaded when an address needs it: a raw socket is opened without.

    Parameters
    ----------
    start : opens the resource manager.
    """

    def __init__(self, start: Callable[[], pyvisa.ResourceManager]) -> None:
        self._start = start
        self._manager: pyvisa.ResourceManager | None = None

    def started(self) -> pyvisa.ResourceManager:
        """The manager; errors of `open_manager`."""
        if self._manager is None:
            self._manager = self._start()
        return self._manager

    def close(self) -> None:
        """Close the manager, if it was opened."""
        if self._manager is not None:
            self._manager.close()


def open_manager(library: str, *, folder: Path, settings: Mapping[str, object] | None = None) -> pyvisa.ResourceManager:
    """A resource manager over `FILE@NAME`, `@NAME`, or the path of a native VISA library; empty: over the usual one.

    Parameters
    ----------
    folder : where FILE begins.
    settings : for a library found by entry point, which is given FILE and these.

    Raises
    ------
    FileFault : FILE is not there, or no such library is installed.
    LinkLost : the library is there and does not start.
    """
    if not library:
        return usual_manager()
    file, at, name = library.rpartition("@")
    path = folder / file if at and file else None
    points = {} if path is None else {point.name: point for point in _entry_points()}
    import pyvisa

    try:
        if path is not None and name == REPLAY:
            from wavewright.instruments.replay import open_replay

            return pyvisa.ResourceManager(open_replay(path))
        if path is not None and name in points:
            if not path.is_file():
                raise FileFault(f"`library: {library}`: there is no file `{path}`", expected="a file of instruments")
            return pyvisa.ResourceManager(points[name].load()(str(path.resolve()), settings=settings or {}))
        if path is not None and path.exists():
            return pyvisa.ResourceManager(f"{path.resolve()}@{name}")
        return pyvisa.ResourceManager(library)
    except WavewrightError:
        raise
    except (ValueError, OSError, ImportError) as fault:
        raise FileFault(
            f"`library: {library}` cannot be opened: {fault}",
            expected="`FILE@sim`, `@py`, `@ivi`, the path of a VISA library, or no `library:` for the usual one",
        ) from fault
    except Exception as fault:  # other people's code
        raise LinkLost(f"the library `{library}` does not start: {type(fault).__name__}: {fault}") from fault


def _entry_points() -> EntryPoints:
    from importlib.metadata import entry_points  # opens a file per package that is installed

    return entry_points(group=GROUP)


def list_addresses(manager: pyvisa.ResourceManager) -> tuple[str, ...]:
    """What the library sees, of every kind.

    Raises
    ------
    LinkLost : it cannot look.
    """
    try:
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            found: Any = manager.list_resources("?*")
    except Exception as fault:  # other people's code
        raise LinkLost(f"the library cannot list its resources: {type(fault).__name__}: {fault}") from fault
    for words in dict.fromkeys(str(one.message) for one in told if issubclass(one.category, UserWarning)):
        log.warning("%s", words)  # what it cannot look for, and what would help
    return tuple(str(address) for address in found)
