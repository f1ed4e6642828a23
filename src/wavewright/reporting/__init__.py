"""What came out, for people and for machines."""
