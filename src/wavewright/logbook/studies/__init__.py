"""What readings of many runs say: capability, control, yield, the gauge itself, and limits worth proposing."""
