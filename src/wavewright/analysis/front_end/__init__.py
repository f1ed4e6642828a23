"""What stands before the converter: probe, input, band limit."""
