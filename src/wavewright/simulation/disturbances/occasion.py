"""When a fault strikes: at which messages, from which on, how often."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from wavewright.buses.search.patterns import Pattern as CompiledPattern
from wavewright.buses.search.patterns import read_pattern
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.word_fields import Count, CountFrom, LocatedText, Pattern


@dataclass(slots=True)
class Occasion:
    """Strikes at every `every`-th message that fits `pattern`, after the first `after` of them, `times` times at most.

    Parameters
    ----------
    pattern : searched for in the message, upper and lower case alike.
    times : 0: without an end.
    """

    pattern: CompiledPattern
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


class DisturbanceEntry(GrammarModel):
    """A fault that is ordered: of which instrument, of what kind, when and how often."""

    instrument: LocatedText = Field(description="name of the instrument in its file", examples=["digitizer"])
    fault: str = Field(description="what goes wrong", examples=["drop the link"])
    at: Pattern = Field(
        default=".",
        description="regular expression; the fault strikes at messages that it is found in, at any if left out",
        examples=["DATA\\\\?"],
    )
    every: Count = Field(default=1, description="strikes at every n-th of these messages", examples=[10])
    after: Annotated[int, CountFrom(0)] = Field(
        default=0, description="number of these messages that are spared first", examples=[2]
    )
    times: Annotated[int, CountFrom(0)] = Field(
        default=0, description="how often the fault strikes at most; 0: without an end", examples=[1]
    )

    def occasion(self) -> Occasion:
        """When it strikes."""
        pattern = read_pattern(self.at, ignore_case=True, dot_matches_all=True)
        return Occasion(pattern, self.every, self.after, self.times)
