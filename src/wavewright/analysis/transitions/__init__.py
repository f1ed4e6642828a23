"""Metrics of single transitions: how long they take, and what follows them."""
