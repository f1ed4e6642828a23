"""The name that was probably meant by a word that is not a name."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def did_you_mean(word: object, known: Iterable[str], *, most: int = 1, alike: float = 0.6) -> str:
    """The advice that ends an error about an unknown name; empty where no name is near.

    Parameters
    ----------
    known : the names that there are.
    most : how many are named at most.
    alike : 0 to 1, how like the word a name must be, as `difflib` of the standard library counts it.

    Examples
    --------
    >>> did_you_mean("rize_time", ["rise_time", "fall_time"])
    'did you mean `rise_time`?'
    >>> did_you_mean("voltage", ["rise_time", "fall_time"])
    ''
    """
    near = get_close_matches(str(word), list(known), most, alike)
    return f"did you mean {' or '.join(f'`{name}`' for name in near)}?" if near else ""
