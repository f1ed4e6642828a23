"""What is before the converter: probe, input, band limit."""
