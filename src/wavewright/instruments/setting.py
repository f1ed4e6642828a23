"""One setting in a profile: the messages that set it, the query that asks for it, and how values are written there."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from wavewright.buses.search import patterns
from wavewright.errors import BadAnswer, Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusing
from wavewright.grammar.word_fields import PatternOrNone
from wavewright.instruments import scpi
from wavewright.instruments.vocabulary import ValueKind, VocabularyEntry

Value = float | int | str | bool | Sequence[int] | None
_PLACEHOLDER = re.compile(r"\{([a-z_.]+)\}")


def placeholders(template: str) -> set[str]:
    """The names in braces."""
    return set(_PLACEHOLDER.findall(template))


def fill(template: str, values: Mapping[str, object]) -> str:
    """The template with each name in braces replaced.

    Raises
    ------
    Misuse : a name that has no value.
    """

    def word(match: re.Match[str]) -> str:
        if match[1] not in values:
            raise Misuse(f"`{template}` needs a value for `{{{match[1]}}}`", expected=f"one of {', '.join(values)}")
        return str(values[match[1]])

    return _PLACEHOLDER.sub(word, template)


def _messages(value: Any) -> Any:
    """One message or a list of them; braces must close, and no message may hold a line end."""
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list | tuple) or not all(isinstance(text, str) and text.strip() for text in texts):
        raise Misuse("this is not a message", expected="a message, or a list of messages")
    for text in texts:
        rest = _PLACEHOLDER.sub("", text)
        if "{" in rest or "}" in rest:
            raise Misuse(f"a brace in `{text}` does not enclose a name", expected="such as `{value}` or `{input}`")
        if not text.isascii() or not text.isprintable():
            raise Misuse(
                f"`{text}` contains characters that are not allowed in a message", expected="printable 7-bit characters"
            )
    return tuple(str(text) for text in texts)


Messages = Annotated[
    tuple[str, ...],
    BeforeValidator(refusing(_messages)),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


class Conversion(GrammarModel):
    """The number on the wire is `times` · value + `plus`: volts per grid line, per cent, millivolts."""

    times: float = Field(default=1.0, description="our number is multiplied by this …", examples=[1000])
    plus: float = Field(default=0.0, description="… and this is added", examples=[0.5])

    def to_wire(self, value: float) -> float:
        """The number that is sent for a value in SI units."""
        return self.times * value + self.plus

    def from_wire(self, number: float) -> float:
        """The value in SI units that an answered number stands for."""
        return (number - self.plus) / self.times


class Setting(GrammarModel):
    """How one setting is set and queried."""

    set: Messages = Field(
        default=(),
        description="messages that set it, in order; `{value}` is the value, `{input}` the input's number, any other "
        "name the value of that setting as it is written on the wire",
        examples=["SENSe{input}:VOLTage:RANGe:PTPeak {value}"],
    )
    ask: Messages = Field(
        default=(),
        description="queries; all but the last are sent without waiting for an answer",
        examples=["SENSe{input}:VOLTage:RANGe:PTPeak?"],
    )
    words: dict[str, str] = Field(
        default_factory=dict,
        description="the instrument's word for each word of ours, for words and for on and off",
        examples=[{"dc": "DC", "ac": "AC", "ground": "GROund"}],
    )
    convert: Conversion = Field(
        default=Conversion(),
        description="the number on the wire is another than ours: times · value + plus",
        examples=[{"times": 100}],
    )
    each: str = Field(
        default="{input}",
        description="for a list of inputs: how one of them is written; they are joined by commas",
        examples=["(@{input})"],
    )
    pattern: PatternOrNone = Field(
        default="",
        description="regular expression whose group `value` is the value in the answer; the whole answer if left out",
        examples=["^RANG (?P<value>.*)$"],
    )

    def written(self, value: Value, entry: VocabularyEntry, values: Mapping[str, object]) -> str:
        """The value as it stands on the wire.

        Raises
        ------
        Misuse : a word that this instrument does not have, a number that cannot be sent.
        """
        if entry.kind in (ValueKind.NUMBER, ValueKind.COUNT):
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise Misuse(f"`{value}` is not a number", expected=f"a number in {entry.unit or '1'}")
            return scpi.format_number(self.convert.to_wire(value))
        if entry.kind is ValueKind.BOOLEAN:
            return self.words.get("on" if value else "off", "1" if value else "0")
        if entry.kind is ValueKind.WORD:
            words = self.words or {word: word for word in entry.words}
            if value not in words:
                raise Misuse(f"`{value}` is not available here", expected=f"one of {', '.join(words)}")
            return fill(words[str(value)], values)
        if entry.kind is ValueKind.INPUTS:
            numbers = value if isinstance(value, Sequence) and not isinstance(value, str) else [value]
            return ",".join(fill(self.each, {**values, "input": number}) for number in numbers)
        return "" if value is None else scpi.format_string(str(value))

    def messages(self, value: Value, entry: VocabularyEntry, values: Mapping[str, object]) -> tuple[str, ...]:
        """What is sent to set it, in order."""
        return tuple(_filled(self.set, {**values, "value": self.written(value, entry, values)}))

    def queries(self, values: Mapping[str, object]) -> tuple[str, ...]:
        """What is sent to ask for it; the last one has the answer."""
        return tuple(_filled(self.ask, values))

    def read(self, answer: str, entry: VocabularyEntry, values: Mapping[str, object]) -> float | str | bool:
        """The value that an answer stands for, in SI units and our words.

        Raises
        ------
        BadAnswer : no number where one is required, a word that is none of the profile's, or the pattern does not
        match.
        """
        text = picked(answer, self.pattern)
        if entry.kind in (ValueKind.NUMBER, ValueKind.COUNT):
            return self.convert.from_wire(scpi.read_number(text))
        if entry.kind is ValueKind.BOOLEAN:
            return self._read_switch(text)
        if entry.kind is ValueKind.WORD:
            words = {
                word: fill(theirs, {"input": "", **values})
                for word, theirs in (self.words or {word: word for word in entry.words}).items()
            }
            for word, theirs in words.items():
                if scpi.is_word(text, theirs):
                    return word
            raise BadAnswer(
                f"`{scpi.shorten(answer)}` is not one of its words", expected=f"one of {', '.join(words.values())}"
            )
        return scpi.read_string(text)

    def _read_switch(self, text: str) -> bool:
        for word, theirs in self.words.items():
            if scpi.is_word(text, theirs):
                return word == "on"
        is_on = scpi.read_boolean(text)
        if text.strip().upper() not in ("ON", "OFF") and scpi.read_number(text) not in (0.0, 1.0):
            # SCPI-99 volume 1, 7.3: the answer is 1 or 0 †; another number answers another
            # query, and must not count as "off" because it rounds to 0
            raise BadAnswer(f"`{scpi.shorten(text)}` is neither on nor off", expected="1 or 0")
        return is_on


def picked(answer: str, pattern: str) -> str:
    """What matters in an answer: the group `value` of a pattern, or all that it matches; the answer without a pattern.

    Raises
    ------
    BadAnswer : the pattern does not match.
    """
    if not pattern:
        return answer
    match = patterns.Pattern(pattern).search(answer)
    if match is None:
        raise BadAnswer(f"`{scpi.shorten(answer)}` does not match its pattern", expected=f"`{pattern}`")
    return match.groups.get("value") or match.whole


def _filled(templates: Iterable[str], values: Mapping[str, object]) -> Iterable[str]:
    return (fill(template, values) for template in templates)
