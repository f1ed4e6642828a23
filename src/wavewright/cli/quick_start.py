"""For commands that read files and do little else: what takes time at their start and serves them nothing is left out.

A package that is deferred is imported when something of it is first used: reading a recipe computes nothing, so NumPy
may wait. `importlib.util.LazyLoader` is not used: the second `import` of a package looks at its `__spec__`, and that
makes it load; under Python 3.11 a second thread meanwhile sees half a module.
"""

from __future__ import annotations

import gc
import sys
from importlib.util import find_spec, module_from_spec
from threading import RLock
from types import ModuleType
from typing import Any

_LOADING = RLock()
_KNOWN_BEFORE = frozenset({"__spec__", "__name__", "__class__", "__dict__"})  # what `import` itself looks at


def start_quickly() -> None:
    """Let NumPy wait until something is computed, and look for no garbage: of what is loaded nothing goes."""
    gc.disable()
    defer("numpy")


def defer(*names: str) -> None:
    """Let `import name` give a module that is loaded when something of it is first used; one that is there stays."""
    for name in names:
        spec = None if name in sys.modules else find_spec(name)
        if spec is not None and spec.loader is not None:
            module = module_from_spec(spec)
            module.__class__ = _LoadedLater
            sys.modules[name] = module


class _LoadedLater(ModuleType):
    def __getattribute__(self, name: str) -> Any:
        get = super().__getattribute__
        if name not in _KNOWN_BEFORE:
            with _LOADING:
                own = get("__dict__")
                # a thread that has waited here finds it loaded; what the package imports of itself finds it half made
                if type(self) is _LoadedLater and not own.get("_is_loading"):
                    own["_is_loading"] = True
                    try:
                        get("__spec__").loader.exec_module(self)
                    finally:  # one that cannot be loaded is an error at each use, as at each `import`
                        del own["_is_loading"]
                    super().__setattr__("__class__", ModuleType)  # from now on as if it had never waited
        return get(name)
