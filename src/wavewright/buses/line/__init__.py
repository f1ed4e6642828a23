"""From levels to bits: comparator, logic, rate, clocking, check words."""
