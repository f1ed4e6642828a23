"""What is said about a file on disk."""

from __future__ import annotations

from tests.recipe.conftest import complaint, in_folder

__all__ = ["complaint", "in_folder"]
