"""The model of a mapping in a file that people write."""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict


class GrammarModel(BaseModel):
    """A mapping of the grammar in which every key is known, and nothing changes once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
    is_whole: ClassVar[bool] = False  # inherited as it stands or not at all, never key by key
