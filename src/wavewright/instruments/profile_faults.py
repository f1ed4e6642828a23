"""What is wrong with a whole profile, all that it inherits included: each fault with the place of its key."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from wavewright.analysis.catalogue import METRICS
from wavewright.errors import FileFault, Misuse, Place
from wavewright.grammar.located_yaml import YamlList, YamlMapping, parse_tree
from wavewright.instruments.profile_grammar import ProfileFile
from wavewright.instruments.record_grammar import ArmedSign, Scale, ScaleTerm
from wavewright.instruments.setting import Conversion, Setting, placeholders
from wavewright.instruments.vocabulary import VOCABULARY, Role, ValueKind, VocabularyEntry

# What a role cannot do without; each row is alternatives, all settings of one of which must be there.
_REQUIRED: Mapping[Role, tuple[tuple[tuple[str, ...], ...], ...]] = {
    Role.DIGITIZER: (
        (("input.range",), ("input.upper", "input.lower")),
        (("timebase.points",), ("timebase.span",)),
        (("timebase.interval",), ("timebase.rate",), ("timebase.span",)),
    ),
    Role.SUPPLY: ((("voltage",),), (("current_limit",),), (("output",),)),
    Role.SOURCE: ((("function",),), (("frequency",),), (("output",),)),
    Role.METER: ((("reading",),),),
    Role.DISPLAY: ((("text",),),),
}
_SLICE = {"first", "last", "count"}
_WITH_VALUE = (ValueKind.NUMBER, ValueKind.COUNT, ValueKind.TEXT)
LONGEST_TIMEOUT = 86400.0  # s; a day
WIDEST_REGISTER = 0xFFFF
PlaceOf = Callable[..., Place]


def places_of(files: Sequence[tuple[str, str]]) -> PlaceOf:
    """Finds the place of a key in a profile, or in one that it extends: the first file that has it.

    Parameters
    ----------
    files : path and text of each, the profile itself first.
    """
    trees = [(path, parse_tree(text, path)) for path, text in files]

    def place(*keys: str) -> Place:
        """Where the last key is; as far on the way to it as the profile itself goes, if nobody has it."""
        found = [_follow(tree, path, keys) for path, tree in trees]
        return next((where for where, is_there in found if is_there), found[0][0])

    return place


def _follow(tree: YamlMapping, path: str, keys: Sequence[str]) -> tuple[Place, bool]:
    node: Any = tree
    where = Place(path, 1, 1)
    for key in keys:
        if not isinstance(node, YamlMapping) or key not in node:
            return where, False
        where = node.key_place(key) if isinstance(node[key], YamlMapping | YamlList) else node.value_place(key)
        node = node[key]
    return where, True


def profile_faults(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    """Everything that no single key shows: what is missing, contradicts itself, or stands for nothing."""
    if grammar.role is None:
        yield FileFault("`role` is missing", where=place("role"), expected=f"one of {', '.join(Role)}")
        return
    yield from _settings(grammar, VOCABULARY[grammar.role], place)
    yield from _fixed_messages(grammar, place)
    yield from _quirks(grammar, place)
    yield from _discharged(grammar, place)
    yield from _own_values(grammar, place)
    if grammar.role is Role.DIGITIZER:
        yield from _acquisition(grammar, place)
        yield from _waveform(grammar, place)
        yield from _scale(grammar.waveform.scale, place)


def _settings(grammar: ProfileFile, vocabulary: Mapping[str, VocabularyEntry], place: PlaceOf) -> Iterator[FileFault]:
    known = {"value", "input", *vocabulary}
    for name, setting in grammar.settings.items():
        here = place("settings", name)
        if name not in vocabulary:
            yield FileFault(
                f"setting `{name}` does not belong to a {grammar.role}",
                where=here,
                expected=f"one of {', '.join(vocabulary)}",
            )
            continue
        templates = (*setting.set, *setting.ask, setting.each, *setting.words.values())
        yield from _unknown(templates, known, f"setting `{name}`", here)
        yield from _setting(name, setting, vocabulary[name], place, in_python=bool(grammar.python))
    has = {name for name, setting in grammar.settings.items() if setting.set or setting.ask}
    assert grammar.role is not None
    for alternatives in _REQUIRED[grammar.role]:
        if not any(set(names) <= has for names in alternatives):
            words = " or ".join("`" + "` and `".join(names) + "`" for names in alternatives)
            yield FileFault(f"a {grammar.role} needs the setting {words}", where=place("settings"))


def _setting(
    name: str, setting: Setting, entry: VocabularyEntry, place: PlaceOf, *, in_python: bool
) -> Iterator[FileFault]:
    here = place("settings", name)
    if name == "output" and not (setting.set and setting.ask):
        yield FileFault(
            "`output` needs both a message to set and a query",
            where=here,
            expected="`set:` and `ask:`",
            do="an output that cannot be queried can never be confirmed off",
        )
    yield from _conversion(setting.convert, f"setting `{name}`", place("settings", name, "convert", "times"))
    words = entry.words if entry.kind is ValueKind.WORD else ("on", "off") if entry.kind is ValueKind.BOOLEAN else ()
    for word in setting.words:
        if word not in words:
            yield FileFault(
                f"`{name}` has no word `{word}`",
                where=place("settings", name, "words", word),
                expected=f"one of {', '.join(words)}" if words else "no `words:`, for it is not a choice of words",
            )
    says_value = any("value" in placeholders(message) for message in setting.set)
    if setting.set and entry.kind in _WITH_VALUE and not says_value and not in_python:
        yield FileFault(
            f"no message that sets `{name}` contains its value",
            where=place("settings", name, "set"),
            expected="`{value}` in one of them",
        )


def _conversion(convert: Conversion, owner: str, where: Place) -> Iterator[FileFault]:
    if not (convert.times and math.isfinite(convert.times) and math.isfinite(convert.plus)):
        yield FileFault(
            f"{owner} is converted by {convert.times:g} · value + {convert.plus:g}",
            where=where,
            expected="finite numbers, and `times` not 0",
        )


def _unknown(templates: Iterable[str], known: set[str], owner: str, where: Place) -> Iterator[FileFault]:
    for unknown in sorted({word for text in templates for word in placeholders(text)} - known):
        yield FileFault(
            f"`{{{unknown}}}` in {owner} has no meaning",
            where=where,
            expected=f"one of {', '.join(sorted(known))}" if known else "a message that is sent unchanged",
        )


def _fixed_messages(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    """Messages that hold no values: what would be in braces would be sent as it stands."""
    acquire = grammar.acquire
    poll, request = acquire.finished.poll, acquire.finished.service_request
    fixed: dict[tuple[str, ...], tuple[str, ...]] = {
        ("reset",): grammar.reset,
        ("prepare",): grammar.prepare,
        ("acquire", "arm"): acquire.arm,
        ("acquire", "force"): acquire.force,
        ("acquire", "stop"): acquire.stop,
        ("acquire", "armed", "ask"): (acquire.armed.ask,),
        ("acquire", "finished", "ask"): (acquire.finished.ask,),
        ("acquire", "finished", "poll"): (*poll.before, poll.ask) if poll else (),
        ("acquire", "finished", "service_request"): (*request.before, *request.request, *request.after)
        if request
        else (),
        ("waveform", "prepare"): grammar.waveform.prepare,
    }
    for name, form in grammar.waveform.formats.items():
        fixed["waveform", "formats", name, "prepare"] = form.prepare
    for keys, messages in fixed.items():
        yield from _unknown(messages, set(), f"`{'.'.join(keys)}`", place(*keys))


def _quirks(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    quirks = grammar.quirks
    for key in ("write_termination", "read_termination"):
        if set(getattr(quirks, key)) - {"\n", "\r"}:
            yield FileFault(
                f"`{key}` is `{getattr(quirks, key)}`",
                where=place("quirks", key),
                expected='NL, CR or both: `"\\r\\n"`',
            )
    for key in ("timeout", "record_timeout", "recovery_timeout", "connect_timeout"):
        seconds = getattr(quirks, key)
        if not 0 < seconds <= LONGEST_TIMEOUT:
            yield FileFault(
                f"`{key}` is {seconds:g} s",
                where=place("quirks", key),
                expected=f"above 0 s, at most {LONGEST_TIMEOUT:g} s",
            )
    if not quirks.pause >= 0:
        yield FileFault(f"`pause` is {quirks.pause:g} s", where=place("quirks", "pause"), expected="at least 0 s")


def _discharged(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    for key, unit, says_more in (("below", "V", "above 0 V"), ("within", "s", "at least 0 s")):
        value = getattr(grammar.discharged, key)
        if not (value > 0 if key == "below" else value >= 0) or not math.isfinite(value):
            yield FileFault(
                f"`discharged.{key}` is {value:g} {unit}", where=place("discharged", key), expected=says_more
            )


def _own_values(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    for name, own in grammar.own_values.items():
        here = place("own_values", name)
        try:
            if METRICS.find(name).channels[0] > 1:
                yield FileFault(f"`own_values`: `{name}` takes more than one channel", where=here)
        except Misuse as fault:
            yield FileFault(f"`own_values`: {fault.what}", where=here, expected=fault.expected, do=fault.do)
        yield from _unknown((*own.before, own.ask), {"input"}, f"the own value `{name}`", here)
        yield from _conversion(own.convert, f"the own value `{name}`", place("own_values", name, "convert", "times"))


def _acquisition(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    if not grammar.inputs:
        yield FileFault("a digitizer needs `inputs`", where=place("inputs"), expected="how many it has")
    for part, key in (("acquire", "arm"), ("waveform", "fetch")):
        if not getattr(getattr(grammar, part), key):
            yield FileFault(
                "a digitizer needs `waveform.fetch` and `acquire.arm`",
                where=place(part, key),
                expected=f"`{key}:` below `{part}:`",
            )
    finished = grammar.acquire.finished
    ways = [bool(finished.ask), finished.poll is not None, finished.service_request is not None]
    if sum(ways) != 1:
        yield FileFault(
            "`acquire.finished` needs one way",
            where=place("acquire", "finished"),
            expected="ask, poll or service_request",
        )
    poll = finished.poll
    if poll is not None and bool(poll.pattern) == (poll.mask is not None):
        yield FileFault(
            "`acquire.finished.poll` does not say when the record is complete",
            where=place("acquire", "finished", "poll"),
            expected="`pattern:` for an answer in words, or `mask:` for bits of a number",
        )
    yield from _armed(grammar.acquire.armed, place)


def _armed(sign: ArmedSign, place: PlaceOf) -> Iterator[FileFault]:
    """At most one fault: what is wrong with the sign for which nothing, or everything, would do."""
    at = ("acquire", "armed")
    has_meaning = bool(sign.pattern) or sign.mask is not None or sign.equals is not None
    if not sign.ask:
        if has_meaning:
            yield FileFault(
                "`acquire.armed` says what an answer means, and has no query",
                where=place(*at),
                expected='`ask:` with a query, or nothing but `ask: ""`',
            )
    elif bool(sign.pattern) == (sign.mask is not None):
        yield FileFault(
            "`acquire.armed` does not say when the trigger is waited for",
            where=place(*at),
            expected="`pattern:` for an answer in words, or `mask:` for bits of a number",
        )
    elif sign.mask is not None and not 0 < sign.mask <= WIDEST_REGISTER:
        yield FileFault(
            f"`acquire.armed.mask` is {sign.mask}", where=place(*at, "mask"), expected=f"1 to {WIDEST_REGISTER}"
        )
    elif sign.equals is not None and (sign.mask is None or not sign.equals or sign.equals & ~sign.mask):
        expected = "no `equals:` beside a `pattern:`" if sign.mask is None else f"one or more of the bits {sign.mask}"
        yield FileFault(f"`acquire.armed.equals` is {sign.equals}", where=place(*at, "equals"), expected=expected)
    for key in ("within", "interval"):
        if not 0 < getattr(sign, key) <= LONGEST_TIMEOUT:
            yield FileFault(
                f"`acquire.armed.{key}` is {getattr(sign, key):g} s",
                where=place(*at, key),
                expected=f"above 0 s, at most {LONGEST_TIMEOUT:g} s",
            )


def _waveform(grammar: ProfileFile, place: PlaceOf) -> Iterator[FileFault]:
    waveform = grammar.waveform
    if waveform.format not in waveform.formats:
        yield FileFault(
            f"`waveform.format` is `{waveform.format}`",
            where=place("waveform", "format"),
            expected=f"one of {', '.join(waveform.formats) or 'the names in `waveform.formats`'}",
        )
    for name, form in waveform.formats.items():
        at = ("waveform", "formats", name)
        if form.codes is not None and not form.codes[0] < form.codes[1]:
            yield FileFault(
                f"`codes` of `{name}` are {form.codes[0]:g} and {form.codes[1]:g}",
                where=place(*at, "codes"),
                expected="the lowest, then the highest",
            )
        if form.codes_over_range is not None and not form.codes_over_range > 0:
            yield _none_over_range(form.codes_over_range, place(*at, "codes_over_range"))
    sliced = waveform.slices
    yield from _unknown(
        waveform.fetch, {"input", *(_SLICE if sliced else ())}, "`waveform.fetch`", place("waveform", "fetch")
    )
    if sliced is None:
        return
    if not (sliced.points >= 1 and float(sliced.points).is_integer()):
        yield FileFault(
            f"slices of {sliced.points:g} samples",
            where=place("waveform", "slices", "points"),
            expected="a whole number, at least 1",
        )
    if not any(_SLICE & placeholders(message) for message in waveform.fetch):
        yield FileFault(
            "`waveform.fetch` does not say which slice",
            where=place("waveform", "fetch"),
            expected="`{first}`, and `{last}` or `{count}`",
        )


def _none_over_range(codes: float, where: Place) -> FileFault:
    return FileFault(f"`codes_over_range` is {codes:g}", where=where, expected="above 0")


def _scale(scale: Scale, place: PlaceOf) -> Iterator[FileFault]:
    at = ("waveform", "scale")
    if not scale.codes_over_range > 0:
        yield _none_over_range(scale.codes_over_range, place(*at, "codes_over_range"))
    if (scale.told_in == "preamble") != bool(scale.ask):
        yield FileFault(
            f"the scale is stated in `{scale.told_in}`, and `ask` is `{scale.ask}`",
            where=place(*at, "ask"),
            expected="`ask:` for a preamble, and for nothing else",
        )
    yield from _unknown((scale.ask,), {"input"}, "`waveform.scale.ask`", place(*at, "ask"))
    for name in ("gain", "offset", "reference", "interval", "start"):
        term: ScaleTerm | None = getattr(scale, name)
        if term is not None:
            yield from _term(scale, term, name, place(*at, name))


def _term(scale: Scale, term: ScaleTerm, name: str, where: Place) -> Iterator[FileFault]:
    sources = [bool(term.ask), term.field is not None, term.at is not None]
    if sum(sources) > 1:
        yield FileFault(f"`{name}` has {sum(sources)} sources", where=where, expected="one of ask, field and at")
    yield from _unknown((term.ask,), {"input"}, f"`waveform.scale.{name}`", where)
    if term.field is not None and scale.told_in != "preamble":
        yield FileFault(f"`{name}` is in a field", where=where, expected="`told_in: preamble`, and its `ask:`")
    if term.at is None:
        return
    if scale.told_in != "block":
        yield FileFault(f"`{name}` is in the block", where=where, expected="`told_in: block`, and its `head:`")
    elif term.type_ == "ascii" or term.at + _bytes(term.type_) > scale.head:
        yield FileFault(
            f"`{name}` is {term.type_} at byte {term.at}, and the block's head has {scale.head} bytes",
            where=where,
            expected="a number of bytes inside the head",
        )


def _bytes(kind: str) -> int:
    return int(kind.lstrip("uintfloa")) // 8
