"""What was said on the line: pure functions from waveforms to frames. A bus is one file, entered into `catalogue`."""
