"""The functions that expressions may call, one module per subject; each enters its own into the table."""
