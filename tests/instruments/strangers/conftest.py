from __future__ import annotations

from tests.cli.conftest import wavewright  # noqa: F401
