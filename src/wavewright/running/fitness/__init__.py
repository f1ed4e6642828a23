"""Fitness: whether a set-up can decide its limits at all, computed before the first message."""
