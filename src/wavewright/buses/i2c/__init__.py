"""I2C, SMBus and serial memories: frames, timing, limits."""
