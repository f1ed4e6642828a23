"""What has been found out about a subject: computed when it is first asked for, and kept."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")


class FoundOnce:
    """A subject under examination."""

    def __init__(self) -> None:
        self._kept: dict[Hashable, Any] = {}

    def once(self, key: Hashable, compute: Callable[[], T]) -> T:
        """What `compute` returns, computed the first time that `key` is asked for and kept."""
        if key not in self._kept:
            self._kept[key] = compute()
        found: T = self._kept[key]
        return found
