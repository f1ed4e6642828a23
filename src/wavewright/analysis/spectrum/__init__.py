"""Metrics of frequency: tones, distortion, noise density, phase."""
