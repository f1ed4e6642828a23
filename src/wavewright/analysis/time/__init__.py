"""Metrics of time: periods, pulses, and the time between edges."""
