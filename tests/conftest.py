"""Settings for the whole suite."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("wavewright", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("wavewright")
