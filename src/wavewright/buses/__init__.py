"""What was said on the line: pure functions from waveforms to frames. A bus is one file, entered into `catalogue`."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wavewright.buses.catalogue import Bus


class _Package(ModuleType):
    """This package, and `wavewright.buses()`: importing a sub-package puts it where the public function would be."""

    def __call__(self) -> Mapping[str, Bus]:
        """Every bus by name: the modules of this package, then what other packages bring."""
        from wavewright.buses.catalogue import buses

        return buses()


sys.modules[__name__].__class__ = _Package
