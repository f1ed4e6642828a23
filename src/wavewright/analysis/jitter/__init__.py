"""Metrics of timing noise: jitter, Allan deviation, the eye."""
