"""What boards say: pure functions from messages to two-state lines, and from those to voltages with their faults."""
