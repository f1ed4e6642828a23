"""The VISA library where none is named: the system's where one is installed, else PyVISA-py.

A maker's library reaches what PyVISA-py does not, its own interfaces above all; PyVISA-py needs no installation by an
administrator.
"""

from __future__ import annotations

import logging
from importlib.metadata import version
from typing import TYPE_CHECKING

from wavewright.errors import FileFault

if TYPE_CHECKING:
    import pyvisa

log = logging.getLogger(__name__)


def usual_manager() -> pyvisa.ResourceManager:
    """A resource manager over the first library of the system that starts, else over PyVISA-py.

    Raises
    ------
    FileFault : there is neither.
    """
    import pyvisa

    for path in system_libraries():
        try:
            return pyvisa.ResourceManager(path)
        except Exception as fault:  # other people's code: made for another kind of processor, say, or half removed
            log.warning("the VISA library %s is passed over: %s: %s", path, type(fault).__name__, fault)
    try:
        return pyvisa.ResourceManager("@py")
    except (ValueError, OSError, ImportError) as fault:
        raise FileFault(
            f"no VISA library of the system is found, and PyVISA-py cannot be opened: {fault}",
            expected="one of the two",
            do="install the VISA library that the maker of your interface offers for this system, or PyVISA-py: "
            "`pip install pyvisa-py`; a bench file can also name one with `library:`",
        ) from fault


def system_libraries() -> tuple[str, ...]:
    """Where the system has VISA libraries; first the one that PyVISA's own settings name, if they do."""
    from pyvisa.ctwrapper.highlevel import IVIVisaLibrary

    return tuple(str(path) for path in IVIVisaLibrary.get_library_paths())


def library_shown(manager: pyvisa.ResourceManager) -> str:
    """Which library a resource manager has taken, for people."""
    path = str(manager.visalib.library_path)
    return f"PyVISA-py {version('pyvisa-py')}" if path == "py" else path
