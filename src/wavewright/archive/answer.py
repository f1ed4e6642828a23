"""What was found out about one run or file of many: rows for a table, a document, or the fault that it has."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

FAULTY = 3  # the exit status of an error


@dataclass(frozen=True, slots=True)
class ItemAnswer:
    """The answer to a query about one item.

    Parameters
    ----------
    item : id of the run, or path of the file.
    rows : for a table, with the columns that the query names.
    document : for JSON.
    fault : why there is no answer; empty where there is one.
    status : the exit status that a command about this item alone would have.
    stamp : changes when what the item names changes; empty of what never does.
    place : of a fault of the disk, the database or the store: which one.
    """

    item: str
    rows: tuple[Mapping[str, Any], ...] = ()
    document: Any = None
    fault: str = ""
    status: int = 0
    stamp: str = ""
    place: str = ""

    def as_text(self) -> str:
        """One line of JSON; `ItemAnswer.read` brings it back."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        return json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False)

    def written(self) -> WrittenAnswer:
        """The same as text, and beside it what is asked of an answer that nobody looks into.

        Raises
        ------
        ValueError : something in it is not a number.
        """
        return WrittenAnswer(self.item, self.as_text(), self.fault, self.status, self.stamp, self.place)

    @classmethod
    def read(cls, text: str | bytes) -> Self:
        """The answer that `as_text` wrote."""
        plain = json.loads(text)
        return cls(**{**plain, "rows": tuple(plain["rows"])})


@dataclass(frozen=True, slots=True)
class WrittenAnswer:
    """An answer on its way to where it is kept: written by whoever found it, so that one process can collect from many.

    Parameters
    ----------
    text : one line of JSON, as `ItemAnswer.as_text` writes it; the others are those of `ItemAnswer`.
    """

    item: str
    text: str
    fault: str = ""
    status: int = 0
    stamp: str = ""
    place: str = ""
