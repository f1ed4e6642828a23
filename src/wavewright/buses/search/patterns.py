"""Regular expressions that others wrote, in searches, recipes and profiles: matched in linear time, whatever they say.

The engine is RE2 (the package `google-re2`), which has no look-around and no back-references and in return needs
time proportional to the length of the text. With the engine of the standard library `(a+)+b` on sixty letters takes
longer than anybody waits, and a bench is held meanwhile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from wavewright.errors import Misuse

LONGEST = 1000  # characters of a pattern
MEMORY = 8 << 20  # bytes that a compiled pattern may take


@dataclass(frozen=True, slots=True)
class PatternMatch:
    """What a pattern matched: all of it, and its named groups (None where a group took no part)."""

    whole: str
    groups: Mapping[str, str | None]


@dataclass(frozen=True, slots=True)
class Pattern:
    r"""A regular expression, as `read_pattern` has checked it.

    `\d`, `\w` and `\s` stand for letters of ASCII alone, and `$` for the very end of the text.
    """

    text: str
    ignore_case: bool = False
    dot_matches_all: bool = False

    def search(self, text: str) -> PatternMatch | None:
        """The first place where it matches; None where there is none."""
        return _found(self._compiled.search(_clean(text)))

    def match(self, text: str) -> PatternMatch | None:
        """The match at the beginning of the text."""
        return _found(self._compiled.match(_clean(text)))

    def fullmatch(self, text: str) -> PatternMatch | None:
        """The match of the whole text."""
        return _found(self._compiled.fullmatch(_clean(text)))

    def spans(self, data: bytes) -> list[tuple[int, int]]:
        """Beginnings and ends of all matches in bytes, each byte taken for the character of its number."""
        compiled = _compiled(self.text, self.ignore_case, self.dot_matches_all, True)
        return [match.span() for match in compiled.finditer(data)]

    @property
    def groups(self) -> frozenset[str]:
        """The names of its groups."""
        return frozenset(self._compiled.groupindex)

    @property
    def _compiled(self) -> Any:
        return _compiled(self.text, self.ignore_case, self.dot_matches_all, False)


def read_pattern(text: str, *, ignore_case: bool = False, dot_matches_all: bool = False) -> Pattern:
    """A regular expression from a file or a command line.

    Raises
    ------
    Misuse : it is none, is longer than 1000 characters, or needs more memory than 8 MiB.
    """
    if len(text) > LONGEST:
        raise Misuse(f"a regular expression of {len(text)} characters", expected=f"at most {LONGEST}")
    pattern = Pattern(text, ignore_case, dot_matches_all)
    _ = pattern.groups
    return pattern


@lru_cache(maxsize=256)
def _compiled(text: str, ignore_case: bool, dot_matches_all: bool, of_bytes: bool) -> Any:
    import re2  # here, because importing it takes 10 ms

    options = re2.Options()
    options.log_errors = False
    options.max_mem = MEMORY
    options.case_sensitive = not ignore_case
    options.dot_nl = dot_matches_all
    given: str | bytes = text
    if of_bytes:
        options.encoding = re2.Options.Encoding.LATIN1
        given = text.encode("latin-1", "replace")
    try:
        return re2.compile(given, options)
    except (re2.error, UnicodeError) as fault:
        said = fault.args[0] if fault.args else fault
        why = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        raise Misuse(
            f"`{text}` is not a regular expression: {why}",
            expected=r"such as `VC204-\d{4}`; look-around and back-references are not supported",
        ) from fault


def _found(match: Any) -> PatternMatch | None:
    return None if match is None else PatternMatch(match.group(0), match.groupdict())


def _clean(text: str) -> str:
    """Half of a surrogate pair, as a file name can bring it, is not a character that could match."""
    return text.encode("utf-8", "replace").decode("utf-8")
