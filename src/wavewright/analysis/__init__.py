"""Pure functions: waveforms in, readings out. No I/O, no instrument, no clock."""
