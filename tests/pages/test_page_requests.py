from __future__ import annotations

import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wavewright.errors import Misuse
from wavewright.pages.page_requests import read_request

REFUSED = [
    ("", "not JSON"),
    ("[]", "not an object"),
    ('{"do": "nugde"}', "did you mean `nudge`"),
    ('{"do": 7}', "`do` is `7`"),
    ("{}", "`do` is `null`"),
    ('{"do": "edit", "id": "a"}', "lacks `text`"),
    ('{"do": "edit", "id": "a", "text": 8}', "`text` is `8`"),
    ('{"do": "nudge", "id": "a", "steps": 1.5}', "`steps`"),
    ('{"do": "nudge", "id": "a", "steps": 1000000}', "less than or equal to 1000"),
    ('{"do": "view", "start": NaN, "span": 1, "columns": 3}', "finite"),
    ('{"do": "view", "start": 0, "span": 0, "columns": 3}', "greater than 0"),
    ('{"do": "view", "start": 0, "span": 1, "columns": 100000}', "columns"),
    ('{"do": "outputs", "confirm": "yes"}', "boolean"),
    ('{"do": "outputs", "confirm": 1}', "boolean"),
    ('{"do": "hold", "please": true}', "`please`"),
    ('{"do": "add_metric", "type": "time_between", "at": []}', "at least 2"),
    ('{"do": "text", "text": "x"}', "lacks `revision`"),
    ('{"do": "next", "what": "luck", "from": 0}', "`what`"),
]


@pytest.mark.parametrize("text, said", REFUSED)
def test_nonsense_is_refused_in_words(text: str, said: str) -> None:
    with pytest.raises(Misuse) as refused:
        read_request(text)
    assert said in str(refused.value)


@given(
    st.text(max_size=60)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=9),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["do", "id", "steps", "at"]), inner)
        ),
        max_leaves=6,
    ).map(json.dumps)
)
def test_whatever_comes_is_read_or_refused(text: str) -> None:
    with suppress(Misuse):
        assert read_request(text).do


def test_deeply_nested_json_is_refused() -> None:
    with pytest.raises(Misuse):
        read_request("[" * 200_000)
