"""The simulated instruments, one file a role."""
