"""A search against what the frames of a bus can say: words that they never say and conditions that hold for nothing."""

from __future__ import annotations

import math
from typing import TypeAlias

from wavewright.buses.search.grammar import (
    And,
    FieldComparison,
    Flag,
    HoldsBytes,
    Matches,
    Node,
    Not,
    Or,
    Within,
    located,
)
from wavewright.buses.vocabulary import TIMES, Field, Holds, Vocabulary
from wavewright.errors import Misuse
from wavewright.nearest import unknown

SHORT = {"id": "identifier"}
NACK = "not acknowledged"
EQUALITIES = ("=", "<>")
Value: TypeAlias = float | int | str


def check_search(text: str, node: Node, says: Vocabulary) -> None:
    """Refuse a search that names what the frames do not have, or that can hold for none of them, or for all.

    Parameters
    ----------
    text : the search as it was written; the place of a fault is counted in it.

    Raises
    ------
    Misuse : the first such condition, with its column.
    """
    match node:
        case And(left, right) | Or(left, right):
            check_search(text, left, says)
            check_search(text, right, says)
        case Not(inner):
            check_search(text, inner, says)
        case HoldsBytes(None, _):
            pass
        case Matches("text", _) if "text" not in says.fields:
            pass  # over the bytes of any frames
        case _:
            try:
                _check(node, says)
            except Misuse as fault:
                raise located(fault, text, node.column) from None


def lone_words(says: Vocabulary) -> tuple[str, ...]:
    """Every word that means something alone."""
    found = ["error", "clean"]
    found += ["ack", "nack"] if NACK in says.errors else []
    found += ["write"] if says.fields.get("read", Field(Holds.TEXT)).holds is Holds.FLAG else []
    found += [name for name, each in says.fields.items() if each.holds is Holds.FLAG or each.is_optional]
    return tuple(dict.fromkeys((*found, *says.kinds, *(word for word in says.errors if " " not in word))))


def _check(node: Flag | FieldComparison | Within | Matches | HoldsBytes, says: Vocabulary) -> None:
    match node:
        case Flag(word):
            _check_word(word, says)
        case FieldComparison("error", sign, value):
            if sign not in EQUALITIES or not isinstance(value, str):
                raise Misuse(f"`error {sign} {_shown(value)}`", expected='`error = "…"` or `error <> "…"`')
            says.check_error(value)
        case FieldComparison(name, sign, value):
            _check_comparison(name, field_of(name, says), sign, value, in_time=node.in_time)
        case Within(name, low, high):
            _check_range(name, field_of(name, says), low, high, in_time=node.in_time)
        case Matches(str(name), _):
            field_of(name, says)
        case HoldsBytes(str(name), _):
            if field_of(name, says).holds is not Holds.BYTES:
                raise Misuse(f"`{name}` does not contain bytes", expected=_comparable(name, says))


def field_of(name: str, says: Vocabulary) -> Field:
    """The field of that name, or of its short form.

    Raises
    ------
    Misuse : the frames have none such.
    """
    if name == "kind":
        return Field(Holds.TEXT, words=says.kinds)
    found = TIMES.get(name) or says.fields.get(SHORT.get(name, name))
    if found is None:
        short = [word for word, whole in SHORT.items() if whole in says.fields]
        raise unknown(
            f"there is no field `{name}` for {says.of}", name, (*says.fields, *short, "kind", "error", *TIMES)
        )
    return found


def _check_word(word: str, says: Vocabulary) -> None:
    known = lone_words(says)
    if word in known:
        return
    each = TIMES.get(word) or says.fields.get(SHORT.get(word, word))
    if each is None and word != "kind":
        raise unknown(f"there is no word `{word}` for {says.of}", word, known)
    raise Misuse(f"`{word}` alone is not a condition", expected=_comparable(word, says))


def _comparable(name: str, says: Vocabulary) -> str:
    """How a field is asked about."""
    each = field_of(name, says)
    if each.holds is Holds.LIST:
        return f'`{name} like_regex "…"`' + (", `ack` or `nack`" if NACK in says.errors else "")
    examples = {
        Holds.NUMBER: f"`{name} = {max(0, int(each.least)) if math.isfinite(each.least) else 1}` or a range",
        Holds.TIME: f"such as `{name} > 1 ms`",
        Holds.FLAG: f"`{name}` or `not {name}`",
        Holds.TEXT: f'`{name} = "{each.words[0] if each.words else "…"}"`',
        Holds.BYTES: f'`{name} holds "11 03"`, say',
    }
    return examples[each.holds]


def _check_comparison(name: str, each: Field, sign: str, value: Value, *, in_time: bool) -> None:
    if each.holds is Holds.LIST:
        raise Misuse(f"`{name}` is a list", expected=f'`{name} like_regex "…"`')
    if each.holds in (Holds.TEXT, Holds.BYTES):
        _check_text(name, each, sign, value)
        return
    number = _number(name, each, value, in_time=in_time)
    if each.holds is Holds.FLAG and (number not in (0, 1) or sign not in EQUALITIES):
        raise Misuse(f"`{name}` is a flag", expected=f"`{name}` or `not {name}`")
    never = {
        "=": not each.least <= number <= each.most,
        "<>": not each.least <= number <= each.most,
        "<": number <= each.least,
        "<=": number < each.least,
        ">": number >= each.most,
        ">=": number > each.most,
    }
    if never[sign]:
        holds = "every frame" if sign == "<>" else "no frame"
        raise Misuse(f"`{name} {sign} {_shown(value)}` holds for {holds}", expected=_bounds(each))


def _check_text(name: str, each: Field, sign: str, value: Value) -> None:
    if not isinstance(value, str):
        written = "bytes in hex, in double quotes" if each.holds is Holds.BYTES else "text in double quotes"
        raise Misuse(f"`{name}` compared with `{_shown(value)}`", expected=written)
    if each.holds is Holds.BYTES:
        try:
            bytes.fromhex(value)
        except ValueError:
            raise Misuse(f'bytes "{value}"', expected='pairs of hex digits, such as "11 03"') from None
    elif each.words and (sign not in EQUALITIES or value not in each.words):
        raise unknown(f'there is no `{name}` "{value}"', value, each.words)


def _check_range(name: str, each: Field, low: float, high: float, *, in_time: bool) -> None:
    if each.holds not in (Holds.NUMBER, Holds.TIME):
        raise Misuse(f"`{name}` has no range: it is {_article(each)}", expected="a number or a time before `between`")
    ends = [_number(name, each, end, in_time=in_time) for end in (low, high)]
    if low > high:
        raise Misuse(
            f"`{name} between {_shown(low)} and {_shown(high)}` holds for no frame",
            expected="the lower end first",
            do=f"write `{name} between {_shown(high)} and {_shown(low)}`",
        )
    if ends[1] < each.least or ends[0] > each.most:
        raise Misuse(f"`{name} between {_shown(low)} and {_shown(high)}` holds for no frame", expected=_bounds(each))


def _number(name: str, each: Field, value: Value, *, in_time: bool) -> float:
    """A number that fits the field."""
    if isinstance(value, str):
        raise Misuse(f"`{name}` compared with `{value}`", expected="a number")
    if each.holds is Holds.TIME and not in_time and value != 0:
        raise Misuse(f"`{name}` compared with `{_shown(value)}`, which has no unit", expected="a time, such as `2 ms`")
    if each.holds is not Holds.TIME and in_time:
        raise Misuse(f"`{name}` compared with a time", expected="a number without a unit")
    if each.holds is not Holds.TIME and value != int(value):
        raise Misuse(f"`{name}` compared with `{_shown(value)}`", expected="a whole number")
    return float(value)


def _bounds(each: Field) -> str:
    if math.isinf(each.most):
        return f"at least {each.least:g}" + (" s" if each.holds is Holds.TIME else "")
    return f"{int(each.least)} .. {int(each.most)} (0x{int(each.most):X})"


def _article(each: Field) -> str:
    return "text" if each.holds is Holds.TEXT else "bytes" if each.holds is Holds.BYTES else f"a {each.holds}"


def _shown(value: Value) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}" if isinstance(value, float) else str(value)
