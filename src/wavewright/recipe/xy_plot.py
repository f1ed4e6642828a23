"""`plot:`: figures of one channel over another, for the report."""

from __future__ import annotations

from pydantic import Field

from wavewright.grammar.model import GrammarModel
from wavewright.grammar.word_fields import Name


class XyPlot(GrammarModel):
    """One channel over another, sample by sample, in the decisive shot."""

    of: Name = Field(description="the channel along the vertical axis", examples=["current"])
    against: Name = Field(description="the channel along the horizontal axis", examples=["voltage"])
