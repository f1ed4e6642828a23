"""How one sees that no real instrument answers at an address: by the library, by the bench file, by the identity."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable

# What comes after the `@` of a library that is a file: simulated instruments, or a recorded dialogue in their place.
_WITHOUT_INSTRUMENTS = ("sim", "replay")
_SAYS_SO = re.compile(r"\bsimulat(?:ed|ion|or)\b", re.IGNORECASE)


def is_without_instruments(library: str) -> bool:
    """Whether a bench file's `library:` is a file of simulated instruments, or a recording: `instruments.yaml@sim`.

    A simulated bench that is served over a network does not show here; its instruments say it in their identity.
    """
    return library.rpartition("@")[2] in _WITHOUT_INSTRUMENTS


def fresh_draw() -> int:
    """A number that nobody has had before, for what fluctuates on a simulated bench."""
    return secrets.randbits(48)


def say_simulated(identities: Iterable[str]) -> bool:
    """Whether one of the answers to `*IDN?` has the word `simulated`, `simulation` or `simulator` in it."""
    return any(_SAYS_SO.search(identity) for identity in identities)
