from __future__ import annotations

import pytest

from tests.example_outcome import example_outcome
from wavewright.running.outcome import Outcome


@pytest.fixture
def outcome() -> Outcome:
    return example_outcome()
