from __future__ import annotations

import pytest

from wavewright.cli.reference import whole_reference
from wavewright.reference.reference import Reference


@pytest.fixture(scope="session")
def reference() -> Reference:
    return whole_reference()
