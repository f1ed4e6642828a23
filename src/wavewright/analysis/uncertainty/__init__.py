"""Uncertainty: what is stated of the inputs, what it makes of a reading, and the interval that follows."""
