"""Wavewright: bench measurements as text."""
