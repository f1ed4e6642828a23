"""Sentences that a colleague from another country reads once: the worst phrases, and what to write instead.

The rules are in DEVELOPERS.md, "How our sentences read"; which phrases make a reader stumble is common practice, no
source. Code is searched like prose: names, messages, docstrings and comments alike.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SUFFIXES = {".py", ".md", ".yaml", ".j2", ".js", ".toml", ".txt"}

PATTERNS = {
    # what is searched, ignoring case: what to write instead
    r"\bbehind\b": "after; through (a probe), in series with",
    r"(?<![_.])\bround (?:a|an|the|its|each|it|\d+(?:\.\d+)?)\b": "around; centred on",
    r"\bround (?:about|one|which)\b": "around",
    r"\b(?:the|its|by|of|an) ending\b": "file extension",
    r"\btelegrams?\b(?!_|:)": "message, or frame",
    r"(?<!in )(?<!out of )\bquestions?\b(?! mark)": "query",
    r"(?<!here )(?<!nor )\b(?:is|was) no (?!more\b|longer\b|such\b|less\b|further\b)[`a-z]": "is not a",
    r"\b(?:row|line|file|case|test|frame|entry|suite|column|bar|box|one) a "
    r"(?:reading|line|shot|channel|code|frame|limit|measurement|character|unit|command|format|key|bit|run)\b": "per",
    r"\b(?:samples|volts|points|V|values|clocks|readings) a (?:second|bit|code|period|cycle|sample|line|shot)\b": "per",
    r"\bdirect part\b": "DC component",
    r"\bis (?:above|below) (?:at most|at least|exactly)\b": "exceeds the limit (…), is below the limit (…)",
    r"\basked [\d.]+ \w+, the instrument uses\b": "requested …, set to …",
    r"\bnot taken(?:,| again| up)": "skipped: already passed",
    r"\bis taken up\b": "is resumed",
    r"\bbroken off by\b": "interrupted by",
    r"\bnothing is wrong with it,? *[\"\n]": "valid",
    r"\bodd (?:units?|shots?|runs?|ones?)\b": "failed, or unusual",
    r"\bsays? together\b": "statistics over",
    r"\bthe (?:shot|one) that decided\b": "the decisive shot",
    r"\bthe other way round\b|\bwrong way round\b|\bupside down\b": "inverted; vice versa",
    r"\bmade good\b": "corrected for",
    r"\b(?:where|when) \w+ \w+ is due\b": "is required",
    r"\bas of `": "as for",
    r"\bat the most\b": "at most",
    r"\bagain for more\b": "may be repeated",
    r"\bso many (?:runs|processes|shots|units) (?:at|in a row)\b": "maximum number of",
    r"\b(?:nought|whilst|hither|thither|thereof|wherein|betwixt|amongst|lest)\b": "the plain word",
    r"\bgroups of units that it can tell\b|\bgauge of total\b": "ndc; %GRR",
    r"\byield after all runs\b": "final yield",
    r"\bso many\b": "this many, this number of",
    r"\b(?:hangs?|hung) on\b": "is connected to",
    r"\b(?:breaks?|broke|broken) off\b": "is interrupted, is cut short, ends early",
    r"\b(?:number|quantity|word|string|type|block|function|length|list|one) (?:is|are) due\b": "is required",
    r"\bin sight\b": "found",
    r"\bfor want of\b|\bin vain\b": "without; to no effect",
    r"\bwhatever is read\b|\bwhat reads:": "every reading; readings of",
    r"\b(?:recipe|instrument|measurement|setup|study|window|user) wants?\b": "needs, requests",
    r"\b(?:scale|offset|gain|interval|end) is told\b": "is stated, is recognised",
    r"\bwhere (?:it|they|a key|a value) stands?\b": "where it is",
    r"\b(?:is|are) spoken (?:to|of)\b": "is addressed; is set and queried",
    r"\bis there already\b": "exists already",
    r"\bone after the other, in\b": "consecutive",
}

ALLOWED = {
    # file: text of the line: why it may stay
    "src/wavewright/running/run_context.py": {"leave nothing behind": "the usual idiom, in its usual meaning"},
    "src/wavewright/running/shipped_files.py": {"leaves behind": "the usual idiom, in its usual meaning"},
    "src/wavewright/guide/runs.md": {
        "telegram_errors": "the measurement `telegram` of recipes/end_of_line.yaml, in the table of a run"
    },
    "DEVELOPERS.md": {
        "telegram_errors": "the measurement `telegram` of recipes/end_of_line.yaml, in the table of a run"
    },
}


def texts() -> Iterator[Path]:
    """Everything that users and developers read: code, documents, recipes and the simulated bench."""
    yield from (ROOT / name for name in ("README.md", "DEVELOPERS.md"))
    for folder in ("src", "recipes", "sim"):
        yield from sorted(path for path in (ROOT / folder).rglob("*") if path.suffix in SUFFIXES)


def found(text: str, allowed: dict[str, str]) -> Iterator[tuple[int, str, str]]:
    """Line, phrase and what to write instead, for each phrase that is not allowed."""
    for number, line in enumerate(text.splitlines(), 1):
        if any(words in line for words in allowed):
            continue
        for pattern, better in PATTERNS.items():
            if match := re.search(pattern, line, re.IGNORECASE):
                yield number, match[0], better


def test_no_phrase_makes_a_reader_stumble() -> None:
    stumbling = []
    for path in texts():
        name = path.relative_to(ROOT).as_posix()
        hits = found(path.read_text(encoding="utf-8"), ALLOWED.get(name, {}))
        stumbling += [f"{name}:{number}: `{phrase}`; write: {better}" for number, phrase, better in hits]
    assert not stumbling, "\n" + "\n".join(stumbling)


SIGNS = "\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}\N{GREEK CAPITAL LETTER OMEGA}\N{OHM SIGN}\N{DEGREE SIGN}"
READERS = {  # of what others write, and the terminal, which shows it
    "DEVELOPERS.md",
    "src/wavewright/analysis/expressions/tokens.py",
    "src/wavewright/analysis/parameters.py",
    "src/wavewright/buses/search/grammar.py",
    "src/wavewright/cli/visible.py",
    "src/wavewright/grammar/model_reading.py",
    "src/wavewright/instruments/corrections_writing.py",
    "src/wavewright/logbook/formats/csv.py",
    "src/wavewright/logbook/formats/unit_names.py",
    "src/wavewright/pages/turning.py",
    "src/wavewright/quantities.py",
    "src/wavewright/recipe/ask.py",
}


def test_units_have_the_spelling_of_a_recipe_wherever_they_are_shown() -> None:
    # the rule is in DEVELOPERS.md, "How our sentences read"
    signs = {path.relative_to(ROOT).as_posix() for path in texts() if set(SIGNS) & set(path.read_text("utf-8"))}
    assert signs <= READERS, f"write us, ohm, degC: {sorted(signs - READERS)}"
    assert signs == READERS, f"it reads no such sign any more: {sorted(READERS - signs)}"


def test_the_texts_are_there() -> None:
    # given nothing but the folders' names, then a renamed folder would make the test above pass for nothing
    names = {path.relative_to(ROOT).parts[0] for path in texts()}
    assert names == {"README.md", "DEVELOPERS.md", "src", "recipes", "sim"}
    assert sum(1 for _ in texts()) > 400


def test_every_exception_is_still_needed() -> None:
    for name, lines in ALLOWED.items():
        text = (ROOT / name).read_text(encoding="utf-8")
        for words in lines:
            assert words in text, f"{name}: `{words}`"


@pytest.mark.parametrize(
    "phrase",
    [
        "the state behind a transition",
        "a band round its final value",
        "auto range: 40 V round 11.72 V",
        "it finds it by the ending",
        "a wrong telegram",
        "a question about a setting",
        "`1.5` is no count",
        "one line a reading",
        "0.5 V a code",
        "direct part included",
        "57.8 mV is above at most 40 mV",
        "A unit that has passed is not taken again",
        "broken off by SIGINT",
        "the odd units",
        "a batch is taken up",
        "where a quantity is due",
        "yield after all runs",
        "one period in so many has a short low",
        "the node that a probe hangs on",
        "the answer breaks off in the header",
        "a number is due",
        "no instrument in sight",
        "where the scale is told",
        "what the recipe wants",
        "the line where it stands",
    ],
)
def test_a_phrase_that_comes_back_is_found(phrase: str) -> None:
    assert list(found(phrase, {}))


@pytest.mark.parametrize(
    "phrase",
    [
        "round(value, 3) or np.round(a)",
        "devices round what they send",
        "an edge in question",
        "a question mark",
        "parity: one of none, even, odd",
        "the run is ending",
        "there is no limit",
        "it is no longer there",
        "a line a little below the limit",
    ],
)
def test_plain_words_are_left_alone(phrase: str) -> None:
    assert not list(found(phrase, {}))
