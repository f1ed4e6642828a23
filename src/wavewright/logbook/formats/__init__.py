"""Files that hold waveforms, one module a format: `catalogue` finds the format by the file's suffix."""
