"""Waveforms made of waveforms: filters, envelopes, sums over time, other rates."""
