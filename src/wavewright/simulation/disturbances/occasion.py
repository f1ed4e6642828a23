"""When a fault strikes: at which messages, from which on, how often."""

from __future__ import annotations

from dataclasses import dataclass

from wavewright.buses.search.patterns import Pattern, read_pattern
from wavewright.errors import FileFault, Misuse
from wavewright.simulation.definition import Section


@dataclass(slots=True)
class Occasion:
    """Strikes at every `every`-th message that fits `pattern`, behind the first `after` of them, `times` times at most.

    Parameters
    ----------
    pattern : searched for in the message, upper and lower case alike.
    times : 0: without an end.
    """

    pattern: Pattern
    every: int = 1
    after: int = 0
    times: int = 0
    _seen: int = 0
    _struck: int = 0

    def strikes(self, message: bytes) -> bool:
        """Whether the fault strikes at this message, which is counted."""
        if not self.pattern.search(message.decode("latin-1")):
            return False
        self._seen += 1
        late = self._seen - self.after
        if late <= 0 or late % self.every or (self.times and self._struck >= self.times):
            return False
        self._struck += 1
        return True


def read_occasion(section: Section) -> Occasion:
    """The keys `at` (a pattern), `every`, `after` and `times` of a fault."""
    try:
        pattern = read_pattern(section.text("at", "."), ignore_case=True, dot_matches_all=True)
    except Misuse as fault:
        raise FileFault(f"`at`: {fault.what}", where=section.place("at")) from fault
    counts = {
        key: int(section.quantity(key, "", default)) for key, default in (("every", 1), ("after", 0), ("times", 0))
    }
    if counts["every"] < 1:
        raise FileFault("`every` below 1", where=section.place("every"), expected="at least 1")
    return Occasion(pattern, **counts)
