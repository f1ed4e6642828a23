"""Expectations: what the frames of a line must hold, or a shot must hold to be kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from wavewright.buses.frame_bytes import frames_with
from wavewright.buses.frame_text import show_bytes
from wavewright.earlier_spellings import EXPECTATIONS
from wavewright.errors import Misuse
from wavewright.nearest import unknown

if TYPE_CHECKING:
    from wavewright.buses.frames import Frames
    from wavewright.buses.search.search import Search
    from wavewright.buses.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True)
class Expectation:
    """All of these must be there; what is None is not asked for.

    Parameters
    ----------
    holds : bytes.
    text : characters, as they stand.
    find : a search that at least one frame fulfils.
    """

    holds: bytes | None = None
    text: str | None = None
    find: Search | None = None

    @classmethod
    def read(cls, written: Mapping[str, object]) -> Expectation:
        """From words as a recipe has them: `{holds: "11 03", text: "OK", find: "address = 17 and clean"}`.

        Raises
        ------
        Misuse : an unknown word, nothing at all, or something that cannot be read.
        """
        known = [field.name for field in fields(cls)]
        for name in written:
            if name in EXPECTATIONS:
                raise EXPECTATIONS[name].refusal(f"`{name}` is no longer a key")
            if name not in known:
                raise unknown(f"unknown expectation `{name}`", name, known)
        texts = {name: value for name, value in written.items() if isinstance(value, str) and value}
        if not texts or len(texts) < len(written):
            raise Misuse(f"expectation `{dict(written)}`", expected=f"text for at least one of {', '.join(known)}")
        from wavewright.buses.search.search import Search, bytes_of_hex

        return cls(
            bytes_of_hex(texts["holds"]) if "holds" in texts else None,
            texts.get("text"),
            Search.read(texts["find"]) if "find" in texts else None,
        )

    def check(self, says: Vocabulary) -> None:
        """Refuse a search that frames which say no more than that can never fulfil, or always do.

        Raises
        ------
        Misuse : as `Search.check`.
        """
        if self.find is not None:
            self.find.check(says)

    def unmet(self, frames: Frames) -> tuple[str, ...]:
        """What of it the frames do not fulfil, each in one sentence; empty where they fulfil all."""
        missing = []
        if self.holds is not None and not _found(frames, self.holds):
            missing.append(f"no frame of {len(frames)} holds `{show_bytes(self.holds)}`")
        if self.text is not None and not _found(frames, self.text.encode("latin-1", "replace")):
            missing.append(f"no frame of {len(frames)} has the text `{self.text}`")
        if self.find is not None and not self.find.where(frames).any():
            missing.append(f"no frame of {len(frames)} fulfils `{self.find.text}`")
        return tuple(missing)


def _found(frames: Frames, pattern: bytes) -> bool:
    from wavewright.buses.search.search import occurrences

    return bool(frames_with(frames, lambda text: occurrences(pattern, text)).any())
