"""What has been found out about a subject: computed when it is first asked for, and kept."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, Generic, Self, TypeVar, overload

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

    def once_of(self, key: Hashable, arrays: tuple[object, ...], compute: Callable[[], T]) -> T:
        """As `once`, of these very arrays: of others, equal ones too, it is computed anew."""
        # the arrays are kept, so that nothing else can get their identities
        _, found = self.once((key, *map(id, arrays)), lambda: (arrays, compute()))
        return found

    def latest(self, kind: Hashable, key: Hashable, compute: Callable[[], T]) -> T:
        """As `once`, but kept only until another `key` of that kind is asked for: for what is as large as a record."""
        if kind in self._kept and self._kept[kind][0] != key:
            del self._kept[kind]  # before the next one takes as much memory
        _, found = self.once(kind, lambda: (key, compute()))
        return found


class _KeptProperty(Generic[T]):
    """What a method returns, in the place of the method once it has been asked for."""

    def __init__(self, compute: Callable[[Any], T]) -> None:
        self.func = compute
        self.__doc__ = compute.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, subject: None, owner: type) -> Self: ...

    @overload
    def __get__(self, subject: object, owner: type) -> T: ...

    def __get__(self, subject: object | None, owner: type) -> Self | T:
        if subject is None:
            return self
        found = self.func(subject)
        subject.__dict__[self._name] = found  # which is looked up before this is
        return found


def computed_once(compute: Callable[[Any], T]) -> _KeptProperty[T]:
    """A property that is computed when it is first asked for, and kept.

    That of `functools` holds, before Python 3.12, one lock for all subjects of a class while one is computed: then two
    records in two threads would wait for each other.

    Examples
    --------
    >>> class Square:
    ...     @computed_once
    ...     def area(self):
    ...         print("computed")
    ...         return 4
    >>> one = Square()
    >>> one.area, one.area
    computed
    (4, 4)
    """
    return _KeptProperty(compute)
