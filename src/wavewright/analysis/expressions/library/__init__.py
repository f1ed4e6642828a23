"""The functions that expressions may call, one module a subject; each enters its own into the table."""
