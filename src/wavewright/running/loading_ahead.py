"""What a run does not need before its first message is loaded while the instruments are waited for."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from importlib import import_module
from types import TracebackType
from typing import Self

from wavewright.errors import WavewrightError
from wavewright.instruments.stop_signals import leave_to_main_thread

# what takes, computes and judges shots; nothing is set, and no output is on, before it is there
BEFORE_SETTINGS = ("numpy", "wavewright.running.measurement_sequence")
# what the first spectrum needs; whoever comes first to it waits for it
BESIDE_MEASUREMENTS = ("scipy.fft",)


class LoadingAhead:
    """A `with` block with a thread that imports modules, one after the other, once `begin` is called.

    Python lets nobody see half a module: whoever imports one that is being loaded waits for it, and one that cannot be
    loaded is an error again where it is used. After the block nothing is being loaded.

    Parameters
    ----------
    first : modules that `wait` waits for, after those that every measurement needs.
    later : modules that are loaded after all those, and after what spectra need.
    """

    def __init__(self, *, first: Sequence[str] = (), later: Sequence[str] = ()) -> None:
        self._first, self._later = (*BEFORE_SETTINGS, *first), (*BESIDE_MEASUREMENTS, *later)
        self._fault: Exception | None = None
        self._are_first_there = threading.Event()
        self._has_ended = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._has_ended.set()
        if self._thread is not None:
            self._thread.join()

    def begin(self) -> None:
        """Load from now on; called again, it does nothing."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._load, name="loads modules")
            self._thread.start()

    def wait(self) -> None:
        """Until the first modules are there.

        Raises
        ------
        WavewrightError : one of them cannot be loaded.
        """
        self.begin()
        self._are_first_there.wait()
        if self._fault is not None:
            words = [line for line in str(self._fault).splitlines() if line.strip()] or [""]
            raise WavewrightError(
                f"what the measurements need cannot be loaded: {type(self._fault).__name__}: {words[-1]}",
                do="install wavewright again, with the packages that it depends on",
            ) from self._fault

    def _load(self) -> None:
        leave_to_main_thread()
        try:
            for name in self._first:
                load(name)
        except Exception as fault:  # whatever other people's code raises while it is loaded
            self._fault = fault
            return
        finally:
            self._are_first_there.set()
        for name in self._later:
            if self._has_ended.is_set():
                return
            try:
                load(name)
            except Exception:  # it is raised again where the module is used, if it ever is
                continue


def load(name: str) -> None:
    """Import a module, one that waits for its first use included."""
    getattr(import_module(name), "__file__", None)
