"""Metrics of supplies: power, ripple, load steps."""
