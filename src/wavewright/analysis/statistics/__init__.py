"""Many shots: statistics, counts over time and level, comparison."""
