"""What a command needs is loaded without the garbage collector, which would look through all of it again and again."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def unscanned() -> Iterator[None]:
    """A block in which modules are loaded; what is there after it stays as long as the process, and is not scanned."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
