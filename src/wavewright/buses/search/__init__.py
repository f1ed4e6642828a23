"""The search for frames: its grammar, its check, its patterns."""
