"""A connection to a PostgreSQL server that waits for an answer as long as is stated, and not for ever.

The system notices a server that is gone or a cable that is cut. A server that is frozen keeps its connections alive and
says nothing more: only whoever waits can give it up.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from typing import Any, TypeVar

import psycopg

Answer = TypeVar("Answer")


class PatientConnection(psycopg.Connection[tuple[Any, ...]]):
    """A connection of psycopg; its `patience` is how long one exchange may bring nothing at all, in s.

    After that the connection is closed, and psycopg.OperationalError raised.
    """

    patience = 30.0

    def wait(self, gen: Generator[Any, Any, Answer], *arguments: Any, **options: Any) -> Answer:
        """Like that of psycopg, but it gives up."""
        return super().wait(self._limited(gen), *arguments, **options)

    def _limited(self, gen: Generator[Any, Any, Answer]) -> Generator[Any, Any, Answer]:
        patience, last = self.patience, time.monotonic()
        try:
            state = next(gen)
            while True:
                ready = yield state
                now = time.monotonic()
                if ready:
                    last = now
                elif now - last > patience:
                    self.pgconn.finish()
                    raise psycopg.OperationalError(f"the server has not answered for {patience:g} s")
                state = gen.send(ready)
        except StopIteration as end:
            answer: Answer = end.value
            return answer
