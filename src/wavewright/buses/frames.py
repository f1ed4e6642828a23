"""Frames: a list of frames that is kept as columns, so that a million of them cost arrays and not objects."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import repeat
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeAlias, overload

import numpy as np

from wavewright.buses.frame import Frame
from wavewright.buses.line.columns import ABSENT, Column, Indexes, Objects, Words

if TYPE_CHECKING:
    import numpy.typing as npt

    from wavewright.buses.vocabulary import Vocabulary
    from wavewright.waveform import Floats

AT_ONCE = 4096  # frames
Masks: TypeAlias = "npt.NDArray[np.uint32]"


class Frames(Sequence[Frame]):
    """The frames of one line in order of time. It reads like a list; each frame is made when it is used.

    Parameters
    ----------
    starts, ends : s, shape (n,).
    kinds : one word for all, or a column of words.
    columns : the fields by name; names that begin with `_` are for layers above and shown in no frame.
    errors : by word, which frames have it: boolean, shape (n,).
    facts : what was found out about the line as a whole, in SI floats: `bit_rate` (measured, bit/s),
        `nominal_bit_rate`, `record_start`, `record_end` (s), `character` (s).
    says : all that such frames can say, which decoding fills in; None: not known.
    """

    __slots__ = ("_masks", "_words", "columns", "ends", "facts", "kinds", "says", "starts")

    def __init__(
        self,
        starts: npt.ArrayLike,
        ends: npt.ArrayLike,
        kinds: str | Words,
        columns: Mapping[str, Column],
        *,
        errors: Mapping[str, npt.ArrayLike] | None = None,
        facts: Mapping[str, float] | None = None,
        says: Vocabulary | None = None,
    ) -> None:
        self.says = says
        self.starts: Floats = np.asarray(starts, dtype=np.float64)
        self.ends: Floats = np.asarray(ends, dtype=np.float64)
        self.kinds = Words(np.zeros(self.starts.size, dtype=np.int8), (kinds,)) if isinstance(kinds, str) else kinds
        self.columns = MappingProxyType(dict(columns))
        self.facts: Mapping[str, float] = MappingProxyType(dict(facts or {}))
        self._words = tuple(errors or ())
        self._masks: Masks = np.zeros(self.starts.size, dtype=np.uint32)
        for place, where in enumerate((errors or {}).values()):
            self._masks |= np.asarray(where, dtype=np.bool_).astype(np.uint32) << np.uint32(place)

    @classmethod
    def of(cls, frames: Iterable[Frame], *, facts: Mapping[str, float] | None = None) -> Frames:
        """A list of frames that were made one by one."""
        given = list(frames)
        kinds = tuple(dict.fromkeys(frame.kind for frame in given))
        names = dict.fromkeys(name for frame in given for name in frame.fields)
        words = dict.fromkeys(word for frame in given for word in frame.errors)
        return cls(
            [frame.start for frame in given],
            [frame.end for frame in given],
            Words(np.array([kinds.index(frame.kind) for frame in given], dtype=np.int8), kinds),
            {name: Objects([frame.fields.get(name, ABSENT) for frame in given]) for name in names},
            errors={word: np.array([word in frame.errors for frame in given], dtype=np.bool_) for word in words},
            facts=facts,
        )

    def __len__(self) -> int:
        return int(self.starts.size)

    @overload
    def __getitem__(self, which: int) -> Frame: ...
    @overload
    def __getitem__(self, which: slice) -> Frames: ...
    def __getitem__(self, which: int | slice) -> Frame | Frames:
        if isinstance(which, slice):
            return self.take(np.arange(len(self))[which])
        row = range(len(self))[which]  # raises IndexError, and counts negative ones from the end
        return Frame(
            float(self.starts[row]), float(self.ends[row]), self.kinds[row], self._fields(row), self._errors(row)
        )

    def __iter__(self) -> Iterator[Frame]:
        for first in range(0, len(self), AT_ONCE):
            yield from self._made(np.arange(first, min(first + AT_ONCE, len(self))))

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Frames | list | tuple):
            return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))
        return NotImplemented

    __hash__ = None  # type: ignore[assignment]  # as any list

    def __add__(self, other: Iterable[Frame]) -> list[Frame]:
        return [*self, *other]

    def __radd__(self, other: Iterable[Frame]) -> list[Frame]:
        return [*other, *self]

    def __repr__(self) -> str:
        shown = ", ".join(repr(frame) for frame in self[:3])
        return f"[{shown}{', …' if len(self) > 3 else ''}] ({len(self)} frames)" if len(self) > 3 else f"[{shown}]"

    def __reduce__(self) -> tuple[Any, ...]:
        kept = (self.starts, self.ends, self.kinds, dict(self.columns))
        return _restored, (kept, self.errors_by_word, dict(self.facts), self.says)

    def take(self, rows: npt.ArrayLike) -> Frames:
        """Some of the frames: by index, or by a boolean for each."""
        chosen = np.asarray(rows)
        index: Indexes = np.flatnonzero(chosen) if chosen.dtype == np.bool_ else chosen.astype(np.int64)
        return Frames(
            self.starts[index],
            self.ends[index],
            self.kinds.take(index),
            {name: column.take(index) for name, column in self.columns.items()},
            errors={word: where[index] for word, where in self.errors_by_word.items()},
            facts=self.facts,
            says=self.says,
        )

    @property
    def has_errors(self) -> npt.NDArray[np.bool_]:
        """For each frame, whether anything is wrong with it; shape (n,)."""
        return np.asarray(self._masks != 0)

    @property
    def errors_by_word(self) -> dict[str, npt.NDArray[np.bool_]]:
        """For each word that occurs in this list, which frames have it; shape (n,) each."""
        return {word: (self._masks >> np.uint32(place)) & np.uint32(1) != 0 for place, word in enumerate(self._words)}

    def of_kind(self, kind: str) -> npt.NDArray[np.bool_]:
        """Which frames are of a kind; shape (n,)."""
        if kind not in self.kinds.words:
            return np.zeros(len(self), dtype=np.bool_)
        return np.asarray(self.kinds.codes == self.kinds.words.index(kind))

    def _made(self, rows: Indexes) -> Iterator[Frame]:
        """Some frames, made together: several times as fast as one by one."""
        shown = {name: column.take(rows).to_list() for name, column in self.columns.items() if name[0] != "_"}
        errors = {mask: self._named(mask) for mask in np.unique(self._masks[rows]).tolist()}
        values = zip(*shown.values(), strict=True) if shown else iter([()] * rows.size)
        fields = _field_dicts(shown, int(rows.size))
        filled = (
            self.starts[rows].tolist(),
            self.ends[rows].tolist(),
            self.kinds.take(rows).to_list(),
            fields,
            [errors[mask] for mask in self._masks[rows].tolist()],
        )
        frames = list(map(object.__new__, repeat(Frame, int(rows.size))))
        for fill, values in zip(_FILL, filled, strict=True):
            deque(map(fill, frames, values), maxlen=0)
        return iter(frames)

    def _fields(self, row: int) -> dict[str, Any]:
        pairs = ((name, column[row]) for name, column in self.columns.items() if name[0] != "_")
        return {name: value for name, value in pairs if value is not ABSENT}

    def _errors(self, row: int) -> tuple[str, ...]:
        return self._named(int(self._masks[row]))

    def _named(self, mask: int) -> tuple[str, ...]:
        return tuple(word for place, word in enumerate(self._words) if mask >> place & 1) if mask else ()


# A frozen dataclass fills its slots by a detour that takes several times as long as filling them directly.
_FILL = tuple(Frame.__dict__[name].__set__ for name in ("start", "end", "kind", "fields", "errors"))


def _field_dicts(shown: Mapping[str, list[Any]], count: int) -> list[dict[str, Any]]:
    """The fields of each of `count` frames, from the values of each field in all of them; absent ones left out."""
    names = tuple(shown)
    if not names:
        return [{} for _ in range(count)]
    rows = [dict(zip(names, row, strict=True)) for row in zip(*shown.values(), strict=True)]
    if any(ABSENT in column for column in shown.values()):
        rows = [{name: value for name, value in row.items() if value is not ABSENT} for row in rows]
    return rows


def _restored(
    kept: tuple[Any, ...], errors: dict[str, Any], facts: dict[str, float], says: Vocabulary | None = None
) -> Frames:
    return Frames(*kept, errors=errors, facts=facts, says=says)
