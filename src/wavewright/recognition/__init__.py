"""Recognition: what is on a line that nobody has described, found from its records alone. Pure, as analysis is."""
