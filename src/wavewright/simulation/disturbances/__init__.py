"""Faults to order: what goes wrong on a simulated bench, when, and how often, as a file says."""
