"""A profile file to begin with: everything that another profile says, commented out, with what each setting is."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

from wavewright.errors import Misuse
from wavewright.instruments.profile import inherited, read_profile_file
from wavewright.instruments.profile_grammar import ProfileFile
from wavewright.instruments.vocabulary import VOCABULARY, Role

_WIDTH = 110
_OWN_KEYS = ("wavewright-profile", "name", "about", "role", "extends", "answers_to", "recognised_by")
_DIGITIZER_PARTS = {
    "acquire": "{arm: …, finished: {ask: …}, force: …, stop: …}",
    "waveform": "{fetch: …, format: int8, formats: {int8: {samples: int8, codes: [-128, 127]}}, scale: {…}}",
}
_TOP_KEY = re.compile(r"^([a-z_-]+):")
_SETTING = re.compile(r"^  ([a-z_.]+):")
_ABOUT = {
    "settings": "Messages with {value}, {input}, or the name of another setting in braces. `words` for words, "
    "`convert: {times: …, plus: …}` where the number on the wire is another than ours (SI units), `pattern` with a "
    "group `value` where only a part of the answer counts, a list where it takes several messages.",
    "acquire": "How a record is taken. `finished` is {ask: …}, {poll: {ask: …, pattern: …}} or {service_request: …}; "
    "`armed`, {ask: …, pattern: …} or {ask: …, mask: …, equals: …}, shows that the trigger is waited for.",
    "waveform": "How samples come: the query, the block, the form, and where the scale is stated: settings, queries, "
    "preamble, block, dif or samples.",
    "abilities": "What it can do, from the data sheet. What is left out is not checked.",
    "accuracy": "Limits of error, from the data sheet.",
    "errors": "The error queue; `ask: \"\"` if it has none.",
    "quirks": "Terminations, a pause after each message, the longest message, the usual patience, and whether it takes "
    "several queries in one message, joined by `;`: `exercise` tries that.",
    "own_values": "How its built-in measurement of a metric is queried, for comparison only.",
}  # fmt: skip


def new_profile_text(name: str, *, base: str = "scpi-digitizer", role: Role | None = None) -> str:
    """The text of a new profile that extends another; every line that is commented out is inherited as it stands.

    Parameters
    ----------
    role : for a base that has none, such as `scpi-basics`: everything of it is then still to be written. A digitizer
        if None.

    Raises
    ------
    FileFault : there is no such profile to begin with.
    Misuse : a name that is none, or a role that the base does not have.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", name):
        raise Misuse(f"`{name}` is not a name for a profile", expected="letters, digits and hyphens")
    grammar, _ = inherited(base)
    if role is not None and grammar.role not in (None, role):
        raise Misuse(f"`{base}` is for a {grammar.role}", expected=f"`{grammar.role}` as the role, or another base")
    chosen = grammar.role or role or Role.DIGITIZER
    return "\n".join(line.rstrip() for line in _lines(name, base, grammar, chosen)) + "\n"


def _lines(name: str, base: str, grammar: ProfileFile, role: Role) -> Iterator[str]:
    yield f"# {name}: profile of a {role}."
    yield from _comment(
        f"It extends {base}; what is commented out below is what it inherits. Where the manual of your instrument "
        "differs, uncomment the line, and that of its part (such as `settings:`), and edit it. "
        "Then try it: `wavewright profile exercise FILE --bench BENCH`."
    )
    yield "wavewright-profile: 1"
    yield f"name: {name}"
    yield f"about: the {role} of …"
    yield f"role: {role}"
    yield f"extends: {base}"
    yield 'answers_to: ".*"               # a pattern on the answer to *IDN?, so that no other instrument matches'
    yield "                               # (capitals count; `(?i)` before it takes either)"
    yield "# pattern: '^\\S+ (?P<value>.*)$'  # for an instrument that answers with the header before the value"
    yield from _inherited(base, role)
    yield from _not_there(grammar, role)


def _inherited(base: str, role: Role) -> Iterator[str]:
    """The text of the profile that it is made from, commented out, with what each part and setting is."""
    _, _, text = read_profile_file(base, folder=Path())
    vocabulary = VOCABULARY[role]
    part = ""
    for line in text.splitlines():
        if found := _TOP_KEY.match(line):
            part = found[1]
            if part in _ABOUT:
                yield ""
                yield from _comment(_ABOUT[part])
        if not part or part in _OWN_KEYS or not line.strip():
            continue
        spoken = _SETTING.match(line) if part == "settings" else None
        about = ""
        if spoken and spoken[1] in vocabulary:
            entry = vocabulary[spoken[1]]
            about = f"   # {entry.about}" + (f", {entry.unit}" if entry.unit not in ("", "1") else "")
        yield f"# {line}{about if '#' not in line else ''}"


def _not_there(grammar: ProfileFile, role: Role) -> Iterator[str]:
    """Settings and parts that the role has, and the profile that it is made from has not."""
    absent = {setting: entry for setting, entry in VOCABULARY[role].items() if setting not in grammar.settings}
    if absent:
        yield ""
        if grammar.settings:
            yield from _comment(f"Settings of a {role} that {grammar.name} does not have:")
        else:
            yield from _comment(f"The settings of a {role}. {_ABOUT['settings']}")
            yield "# settings:"
        for setting, entry in absent.items():
            yield f"#   {setting}: {{set: …, ask: …}}   # {entry.about}"
    if role is Role.DIGITIZER and not grammar.acquire.arm:
        yield ""
        yield "# inputs: 4"
        for part, line in _DIGITIZER_PARTS.items():
            yield from _comment(_ABOUT[part])
            yield f"# {part}: {line}"


def _comment(text: str) -> Iterator[str]:
    for line in textwrap.wrap(text, _WIDTH):
        yield f"# {line}"
