"""CAN and CAN FD."""
