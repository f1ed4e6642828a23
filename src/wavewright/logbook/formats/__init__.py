"""Files that hold waveforms, one module per format: `catalogue` finds the format by the file's suffix."""
