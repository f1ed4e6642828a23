"""Pure functions: waveforms in, frames out. No I/O, no instrument, no clock."""
