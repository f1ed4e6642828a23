"""The simulated instruments, one file per role."""
