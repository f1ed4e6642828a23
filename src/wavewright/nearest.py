"""The name that was probably meant by a word that is not a name."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from wavewright.errors import Misuse


def did_you_mean(word: object, known: Iterable[str], *, most: int = 1, alike: float = 0.6, written: str = "{}") -> str:
    """The advice that ends an error about an unknown name; empty where no name is near.

    Parameters
    ----------
    known : the names that there are.
    most : how many are named at most.
    alike : 0 to 1, how like the word a name must be, as `difflib` of the standard library counts it.
    written : how a name is written in the place of the word, `{}` for the name itself.

    Examples
    --------
    >>> did_you_mean("rize_time", ["rise_time", "fall_time"])
    'did you mean `rise_time`?'
    >>> did_you_mean("dudy", ["duty"], written="${}")
    'did you mean `$duty`?'
    >>> did_you_mean("voltage", ["rise_time", "fall_time"])
    ''
    """
    near = get_close_matches(str(word), list(known), most, alike)
    return f"did you mean {' or '.join(f'`{written.format(name)}`' for name in near)}?" if near else ""


def unknown(what: str, word: object, known: Iterable[str], *, expected: str = "", do: str | None = None) -> Misuse:
    """The refusal of a word that is not in a closed set, with the nearest that is.

    Parameters
    ----------
    what : what is wrong, the word in it.
    expected : where to look the words up; empty: they are listed.
    do : in place of the nearest.
    """
    listed = list(dict.fromkeys(known))
    return Misuse(
        what,
        expected=expected or (f"one of {', '.join(listed)}" if listed else "nothing: there are none"),
        do=did_you_mean(word, listed, alike=0.5) if do is None else do,
    )
